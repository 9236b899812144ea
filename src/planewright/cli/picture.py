"""``planewright picture``."""
def picture() -> None:
    """x"""
