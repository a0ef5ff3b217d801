"""A shop to look around in: an invented town, its people, displays and years of jobs."""
