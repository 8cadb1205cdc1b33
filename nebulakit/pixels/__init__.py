"""Mathematics on arrays: float32 planes (channel, y, x), NaN for "nothing here". Knows no step, file, recipe or YAML.

A step with automatic values is a pair here, ``decide_NAME(planes, ...) -> values`` (small, plain, could be written as
JSON) and ``apply_NAME(planes, values)``: what was decided can be recorded, frozen and applied to other pixels.
"""
