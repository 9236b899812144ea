"""Floor 10: the simulated instrument, with its own forward model, faults and truth.

It shares no code with what it tests: of the other rooms it knows only ``base``.

Start at :func:`planewright.phantom.shoot.simulate` (files and truth in a folder) or
:func:`planewright.phantom.shoot.photographs` (arrays only).
"""
