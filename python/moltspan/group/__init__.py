"""Tables and comparisons of groups."""
