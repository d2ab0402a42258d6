"""Families of random takes from simulated boards, by name and seed."""
