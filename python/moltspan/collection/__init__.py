"""The joint fit of a collection and what follows from it."""
