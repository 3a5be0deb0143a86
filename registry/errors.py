"""What a registry says when it cannot do what it was asked: one sentence that says what to do.

Each kind carries the exit status of the command line: 1 no answer, 2 wrong input, 3 a confirmation is needed.
"""

from __future__ import annotations


class RegistryError(Exception):
    """Something is wrong with a registry or with what was asked of it. The text is a sentence for the person who asked."""

    exit_code = 2


class WrongInput(RegistryError):
    """What was given cannot be used as it stands; nothing was saved."""

    exit_code = 2


class NoAnswer(RegistryError):
    """The question was understood and the registry has no answer to it."""

    exit_code = 1


class ConfirmationNeeded(RegistryError):
    """A person has to agree first and was not asked, or did not; nothing was saved."""

    exit_code = 3
