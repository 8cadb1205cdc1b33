"""The page of a run: what each step was given, what it did and decided, made from what the run recorded."""
