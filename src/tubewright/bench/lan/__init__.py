"""The phone at the bench: listening on the shop's own network, pairing, sending over a bad connection."""
