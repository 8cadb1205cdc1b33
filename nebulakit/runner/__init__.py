"""Run a checked recipe on images: the order, the layers, what each step recorded, and the files that come out."""
