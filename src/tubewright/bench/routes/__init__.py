"""The addresses of the bench, a module for each part of the work."""
