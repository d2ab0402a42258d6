"""Takes with known truth, made by number: whole takes, pairs of causes, benches, rooms, solved circuits.

    python -m tests.takes single --seeds 0:2 --cache FOLDER

What a take holds depends on its class, its variant and its seed alone. Its truth is measured on the noise-free wave of
the board, never on what a check says of it.
"""
