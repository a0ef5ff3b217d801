"""Pictures out and in: rasters, patterns, and a picture measured from its photograph."""
