"""What a shot may show: a photo of the bench, a mark in a film, a drawn picture."""

import hashlib
import json
from dataclasses import dataclass


@dataclass(frozen=True)
class Evidence:
    """One thing to be seen, as the record has it now. `key` is how a shot names it."""

    key: str
    title: str
    alternative: str  # for who cannot see it
    study: str
    url: str = ""  # for people of the lab
    film: str = ""
    clock: str = ""
    photo_digest: str = ""  # under which a published scorecard shows it
    problem: str = ""  # what became of it, to follow 'is now'
    is_struck_out: bool = False

    @property
    def words(self) -> str:
        """What it is now, for a person who saw it before."""
        return self.problem or self.alternative

    @property
    def digest(self) -> str:
        """Changes with everything that a person would have to see again."""
        told = json.dumps([self.alternative, self.film, self.clock, self.problem])
        return hashlib.sha256(told.encode()).hexdigest()[:16]
