"""Invented tubes with known truth, for demonstration, teaching and tests."""
