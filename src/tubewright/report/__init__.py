"""An answer turned into one description, and that into text, tables and drawings."""
