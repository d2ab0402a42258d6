"""Simulated builds in a scenario of our own: for the demonstration, the fixtures and the tests."""
