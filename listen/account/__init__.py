"""The account of a recording: what it consists of, each part measured with the others taken into account."""
