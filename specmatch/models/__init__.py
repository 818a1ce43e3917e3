"""Estimators that keep scikit-learn's contract: thin shells over `specmatch.maths`."""
