"""Readings while the control is turned: from a pipe, a growing file or a sound card.

Nothing is imported here: reading of the source starts before the modules that measure are loaded.
"""
