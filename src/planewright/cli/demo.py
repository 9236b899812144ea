"""``planewright demo``."""


def demo() -> None:
    """x"""
