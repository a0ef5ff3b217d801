"""The horizontal AFC loop: from the pulses of a source to the place of each line on the picture."""
