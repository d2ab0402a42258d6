"""What can be asked of a capture: each module is one verb."""
