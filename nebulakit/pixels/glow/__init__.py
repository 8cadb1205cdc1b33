"""The skyglow: told apart from a nebula that may cover much of the frame.

To read in this order: ``boxes`` (levels without stars), ``legendre`` (surfaces), ``fit`` (one order), ``field`` (a nebula that
hides all sky), ``gradient`` (which order). Beside it: ``seams`` (steps where a night ends), ``surface`` (level of the sky).
"""
