"""The ways an action says no, in sentences that a person can act on."""

from collections.abc import Mapping, Sequence

from django.core.exceptions import PermissionDenied


class Refused(Exception):
    """What was asked cannot be done as given.

    `problems` maps a field name to its sentences; the empty name is the whole form. `told` is
    what a program may need to know besides; the API adds it to the problem.
    """

    told: Mapping[str, str] = {}

    def __init__(self, problems: Mapping[str, Sequence[str]] | str) -> None:
        if isinstance(problems, str):
            problems = {"": [problems]}
        self.problems: dict[str, list[str]] = {
            field: list(sentences) for field, sentences in problems.items()
        }
        super().__init__(" ".join(self.sentences))

    @property
    def sentences(self) -> list[str]:
        return [sentence for sentences in self.problems.values() for sentence in sentences]


class Conflict(Refused):
    """Something else is already there under the same name; both need a person's eyes."""


class NotYet(Refused):
    """It can be done once another entry has arrived, which may still be on its way.

    `waits_for` is the kind of that entry, in the word of the bench's queue.
    """

    def __init__(self, problems: Mapping[str, Sequence[str]] | str, *, waits_for: str) -> None:
        super().__init__(problems)
        self.told = {"code": "waits", "waits_for": waits_for}


class NotAllowed(PermissionDenied):
    """This person may not do this. Django shows it as the 403 page, the API as a 403."""
