"""One module per step, in order."""
