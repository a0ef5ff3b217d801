"""From a case to condition, life and verdict; pure functions of values handed in."""
