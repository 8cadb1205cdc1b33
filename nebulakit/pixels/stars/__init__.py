"""Stars: found, fitted all together, and parted from what lies behind them.

To read in this order: ``find`` (where stars are, and where they are cut off), ``law`` (the image of a star), ``fit`` (all
stars of a picture against a nebula), ``rounds`` (what is fitted when), ``separate`` (the parted picture). What bright stars
teach: ``first`` (the laws to begin with), ``learn``, ``rings``, ``wings``, ``flanks``, ``ghosts`` (reflections), ``tints``
(colours). Light from beyond the edges: ``beyond``, ``whitening``. Stretched pictures: ``straighten``, ``unbend``, and
``fill`` where no curve is found. Compiled loops: ``kernels``, ``ringsums``.
"""
