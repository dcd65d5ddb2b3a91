"""What an import would write: a plan, and what somebody says of results that stand already."""

from __future__ import annotations

from dataclasses import dataclass, field
from operator import itemgetter

from logbook.trial.records import Report, Result


@dataclass(frozen=True)
class Change:
    """A result that a re-issue gives another value.

    `old` is None where a person struck it: `struck` is then what the laboratory had said.
    `corrected`: `old` is what a person made of it. `report`: the other report that had it.
    """

    old: Result | None
    new: Result
    struck: Result | None = None
    corrected: bool = False
    report: str = ""


@dataclass
class Plan:
    """What would be written, by key, and what a person should know before it is.

    `kept` are results that a person corrected or struck and the laboratory did not change;
    `missing` stand here but not in the re-issue. `here` are other reports under which the very same
    results stand; `replaced` are keys of typed results that these take the place of; `again` are
    the reports of an earlier measurement, which these follow as the next run; `superseded` are
    results of other reports (`superseded_reports`) that a re-issue under a new number takes the
    place of, of which `by_hand` were struck or corrected by a person; `alike` are the keys of new
    results that say what stood under the older number. `beside` are all the reports under which
    the same runs stand: each must be named. `renumbered` are keys of reports whose very file this
    is, under its right number. `stand_already` are reports that are here, and of which nothing more
    is written than what they take the place of.
    """

    new: dict[str, Result] = field(default_factory=dict)
    changed: dict[str, Change] = field(default_factory=dict)
    same: int = 0
    kept: list[Result] = field(default_factory=list)
    missing: list[Result] = field(default_factory=list)
    reports: dict[str, Report] = field(default_factory=dict)
    here: list[str] = field(default_factory=list)
    replaced: list[str] = field(default_factory=list)
    again: list[str] = field(default_factory=list)
    curves: list[str] = field(default_factory=list)
    superseded: list[Change] = field(default_factory=list)
    by_hand: list[Result] = field(default_factory=list)
    alike: set[str] = field(default_factory=set)
    superseded_reports: list[str] = field(default_factory=list)
    beside: set[str] = field(default_factory=set)
    renumbered: list[str] = field(default_factory=list)
    stand_already: list[Report] = field(default_factory=list)

    @property
    def writes(self) -> bool:
        """Whether anything is to be written, without making the list of it."""
        return bool(self.reports or self.new or self.changed or self.replaced)

    @property
    def records(self) -> list[tuple[str, Report | Result | None]]:
        """What is to be written: the reports first; None strikes what is replaced.

        In order of key, as their tables are, whose pages are then met one after the other.
        """
        changes = [(name, change.new) for name, change in self.changed.items()]
        gone = [(name, None) for name in (*self.replaced, *self.renumbered)]
        return [
            *sorted(self.reports.items()),
            *sorted([*self.new.items(), *changes, *gone], key=itemgetter(0)),
        ]

    @property
    def written(self) -> dict[str, Result]:
        """The results that are written, by key."""
        return self.new | {name: change.new for name, change in self.changed.items()}


@dataclass(frozen=True)
class Answers:
    """What somebody says about results that stand here already; see `doubles`.

    replaces: the numbers of the reports that this one, under a number of its own, takes the place
    of.
    """

    reissued: bool = False
    repeat: bool = False
    replaces: tuple[str, ...] = ()


NOTHING_SAID = Answers()
