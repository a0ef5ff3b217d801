"""What goes out: rasters, the patterns drawn on them, and the tags laid beside a picture."""
