"""The faults a user can meet, each a sentence that says what was wrong, where, what was found and what to do.

Raise the first that fits: :class:`RecipeError` for a fault in the recipe's text, :class:`InputError` for a file that
cannot be used, :class:`StepError` for pixels or values a step cannot work on, :class:`UsageError` for a wrong command
line, :class:`ResourceError` for too little memory or disk. Anything else that escapes is a fault of nebulakit itself.
"""

from __future__ import annotations


class NebulakitError(Exception):
    """A fault that is the user's to mend; shown without a traceback, with the exit code it carries."""

    exit_code = 1


class StepError(NebulakitError, ValueError):
    """A step was given pixels, layers or values that it cannot work on."""

    exit_code = 1


class UsageError(NebulakitError, ValueError):
    """The command line asks for something that does not exist or contradicts itself."""

    exit_code = 2


class RecipeError(NebulakitError, ValueError):
    """The recipe has faults; ``str()`` lists all of them with their places."""

    exit_code = 3


class InputError(NebulakitError, ValueError):
    """A file cannot be read as what it is said to be."""

    exit_code = 4


class ResourceError(NebulakitError, RuntimeError):
    """There is not enough memory or disk for what was asked."""

    exit_code = 6
