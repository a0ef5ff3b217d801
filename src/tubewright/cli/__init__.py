"""The door for the terminal."""
