"""Advice for setting up: what each control does to the measured figures, learned from one display's own moves."""
