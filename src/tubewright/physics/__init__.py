"""Laws of guns, cathodes, heaters and colour, as pure functions of numbers."""
