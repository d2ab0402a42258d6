"""Settings for all tests: generated examples are the same in every run, and no busy machine fails them."""

from hypothesis import settings

settings.register_profile("house", derandomize=True, deadline=None, print_blob=True)
settings.load_profile("house")
