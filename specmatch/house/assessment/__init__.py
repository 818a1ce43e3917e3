"""How good a model is, on batches held out and on new ones."""
