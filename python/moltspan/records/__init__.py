"""Records as people keep them: read, imported, begun, simulated."""
