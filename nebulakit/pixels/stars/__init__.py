"""Stars: found, fitted all together, and parted from what lies behind them.

To read in this order: ``plateaus`` (where stars are cut off), ``find`` with ``maxima``
and ``cutouts`` (where they are), ``law`` (the image of a star),
``varying`` (how it varies over a picture), ``fit`` with ``drawing`` (all stars of a picture against a nebula), ``rounds`` (what is
fitted when), ``separate`` (the parted picture). What bright stars teach: ``first`` with ``cutfit`` and ``cores`` (the laws to begin with), ``learn``,
``rings``, ``wings``, ``flanks``, ``ghosts`` (reflections), ``spikes``, ``tints`` and ``coloured`` (colours). Light from beyond the edges:
``beyond``, ``rim``, ``explain``, ``search``, ``whitening``. Stretched pictures: ``straighten``, ``unbend``, ``factor``, and
``fill`` where no curve is found. Compiled loops: ``kernels``, ``ringsums``, ``rimloops``.
"""
