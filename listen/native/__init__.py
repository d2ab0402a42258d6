"""The hot loops in C++, compiled for several levels of processor, of which the best one is used."""

try:
    from listen.native import kernels
except ImportError as error:
    raise ImportError(
        "listen's compiled kernels are missing, or not for this Python: run scripts/demo in a clone, or pip install ."
    ) from error

__all__ = ["kernels"]
