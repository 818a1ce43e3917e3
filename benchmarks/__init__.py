"""Benchmarks: run each as `python -m benchmarks.NAME` from the project's folder."""
