"""The terminal's screen: one big reading, the rest one quiet line each."""
