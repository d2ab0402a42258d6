"""What `listen check` finds and what it invents, kind by kind, over many takes with known truth."""
