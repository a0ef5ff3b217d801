"""Opening and saving cases."""
