"""A folder as a place: a synced drive, a share, a stick. Every segment in it is a file of its own.

The files lie in one folder within the place, are written whole (`putting`), never changed and never
deleted. A name is only a hint: every file is read by its content (`files`), whatever a drive or a
person made of its name, and twice the same is once. What can be followed from entry 1 is there; a
file whose predecessor is missing is fetched, but its entries count as lacking and are sent again.
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterable, Iterator
from contextlib import suppress
from pathlib import Path

from logbook.errors import Problem, StoreError, UserMistake
from logbook.journal.entry import entry_id
from logbook.store.backups import flush_folder
from logbook.sync import files, putting, remembered
from logbook.sync.files import README, Files
from logbook.sync.place import (
    MOST_BYTES,
    MOST_ENTRIES,
    Head,
    Inventory,
    Known,
    Place,
    Run,
    Unreachable,
)
from logbook.sync.remembered import Remembered, Seen, Span
from logbook.sync.segment import BadSegment, Packed, pack
from logbook.trial.wording import printable

SUBFOLDER = "amendment-logbook-segments"
_TEXT = """\
This folder belongs to an amendment trial logbook. Its machines leave here what was written down,
and take from here what the others wrote: run `logbook sync` with the folder above this one.

Each .seg file holds some lines of one machine's journal, compressed, and is never changed. Please
do not edit or delete any. A copy, or one under another name, does no harm. How to read them
without the program is said in docs/segments.md of its source.
"""


class Folder(Place):
    """A folder that machines share; `own` marks this machine's temporary files: hex digits.

    `seen` is what this machine remembers of the files there (see `remembered`), and is brought up
    to date; `thorough` forgets it, so that all are read. Where the folder was `used` before and
    holds nothing of a logbook now, it is not reached: a stick that is out may leave an empty folder
    of its name. Raises UserMistake as `refuse_private` does.
    """

    def __init__(
        self,
        path: Path,
        own: str,
        seen: Seen | None = None,
        *,
        store: Path | None = None,
        keys: Path | None = None,
        thorough: bool = False,
        used: bool = False,
    ) -> None:
        super().__init__(printable(str(path)))
        refuse_private(path, store, keys)
        self.path = path
        self._used = used
        self.seen: Seen = {} if seen is None else seen
        if thorough:
            self.seen.clear()
        self._own = own[:16]
        within = path.name.casefold() == SUBFOLDER
        self._files = Files(path if within else path / SUBFOLDER, self.seen, self._own)

    def inventory(self) -> Inventory:
        """What is there now: every new file is read once, the others are remembered."""
        self._look()
        there = remembered.anchored(self.seen, self._files.id_at)
        tips = remembered.tips(there, self._files.id_at)
        self.problems = self._problems()
        return Inventory(tips, frozenset(remembered.heads_of(self.seen)))

    def fetch(self, known: Known) -> Iterator[Run]:
        """The files that are not wholly known, in the order of their chains."""
        self._look()
        given: set[Span] = set()
        for name, one in sorted(self.seen.items(), key=_order):
            run = self._lacking(name, one, known, given)
            if run is not None and (run.bodies or run.heads):
                yield run
            self._files.let_go(name)
            # The caller comes back for the next one when it has kept this, if it does.
            one.taken = run is not None and (one.span is None or known.has(one.span.last_id))
        self.problems = self._problems()

    def _lacking(self, name: str, one: Remembered, known: Known, given: set[Span]) -> Run | None:
        """What a file holds that is not known; None if it cannot be read any more."""
        heads = tuple(head for head in one.heads if not known.has_head(head))
        if one.span is None:
            return Run(heads[0].writer if heads else "", (), heads)
        alone = Run(one.span.writer, (), heads)
        here = known.has(one.span.last_id)
        if one.span in given or (here and one.taken):
            return alone
        segment = self._files.segment(name)
        if segment is None:
            return None
        # The last may have come by another file, without those before it.
        if here and all(map(known.has, segment.ids)):
            return alone
        given.add(one.span)
        return Run(segment.writer, segment.bodies, heads)

    def send(self, runs: Iterable[Run]) -> None:
        """Keep these runs as new files.

        Where there is nothing new nothing is touched, but for what this machine left half done.
        """
        self._must_be_there()
        putting.tidy(self._files.folder, self._own)
        ends: set[str] | None = None
        heads: set[Head] = set()
        ready = False
        for run in runs:
            if ends is None:
                self._look()
                heads = set(remembered.heads_of(self.seen))
                there = remembered.anchored(self.seen, self._files.id_at)
                ends = {span.last_id for span in there.values()}
            for piece in _pieces(_trimmed(run, ends, heads)):
                packed = _packed(piece)
                self._put(packed, ready)
                ready = True
                ends.update(packed.segment.ids[-1:])
                heads.update(piece.heads)

    def _put(self, packed: Packed, ready: bool) -> None:
        folder = self._files.folder
        try:
            if not ready:
                self._prepare(folder)
            path = putting.put(folder, _names(packed), packed.data, self._own)
            info = path.lstat()
        except OSError as problem:
            raise putting.explained(folder, problem) from problem
        self.seen[path.name] = remembered.of_segment(
            packed.segment, info.st_size, info.st_mtime_ns, taken=True
        )

    def _prepare(self, folder: Path) -> None:
        """Have the folder of segments there."""
        self._must_be_there()
        if not putting.is_folder(folder):
            folder.mkdir(exist_ok=True)
            flush_folder(folder.parent)
        if not os.path.lexists(folder / README):
            # It tells people what this is; lines go without it.
            with suppress(OSError, Unreachable):
                putting.put(folder, (README,), _TEXT.encode(), self._own)

    def _look(self) -> None:
        self._must_be_there()
        self._files.look()
        self.problems = self._problems()

    def _problems(self) -> list[Problem]:
        """What was found beside the segments, and among them."""
        within = self.path == self._files.folder
        beside = None if within else files.store_beside(self.path)
        return [*([beside] if beside else []), *self._files.problems()]

    def _must_be_there(self) -> None:
        if not putting.is_folder(self.path):
            raise Unreachable(
                f"{self.label}: there is no such folder now",
                "put the stick in or connect the drive, then sync again",
            )
        if putting.is_link(self._files.folder):
            raise Unreachable(
                f"{self.label}: {SUBFOLDER} in it is a link, which is not followed",
                "put a folder in its stead, or name the folder that it leads to",
            )
        if self._used and not os.path.lexists(self._files.folder):
            raise Unreachable(
                f"{self.label}: nothing of a logbook lies there now, where lines were left before",
                "is the stick in, is the drive connected? If somebody emptied the folder: "
                "logbook sync PLACE --refill",
            )


def refuse_private(folder: Path, store: Path | None, keys: Path | None) -> None:
    """Raise UserMistake if the store or the folder of key files lies within a folder.

    What syncs a folder tears a store that is being written, and gives the keys away.
    """
    _refuse_within(folder, store, "the store", "what syncs a folder would tear it")
    _refuse_within(folder, keys, "the folder of keys", "whoever reads it writes as this machine")


def _refuse_within(folder: Path, private: Path | None, what: str, why: str) -> None:
    # Not Path.resolve: a link that leads to itself is an error of its own there.
    whole = os.path.realpath(folder)
    if private is not None and Path(os.path.realpath(private)).is_relative_to(whole):
        raise UserMistake(
            f"{printable(str(folder))}: {what} {printable(str(private))} lies in this folder",
            f"{why}: name another folder, or move it",
        )


def _order(item: tuple[str, Remembered]) -> tuple[str, int, int, str]:
    """Heads alone last: what they vouch for is there by then."""
    name, one = item
    if one.span is None:
        return "~", 0, 0, name
    return one.span.writer, one.span.first, one.span.last, name


def _names(packed: Packed) -> tuple[str, ...]:
    """The names of a file, the last of them one that nobody can have taken before."""
    stem = packed.names[0].rpartition("-")[0]
    return (*packed.names, f"{stem}-{secrets.token_hex(4)}.seg")


def _trimmed(run: Run, ends: set[str], heads: set[Head]) -> Run:
    """The run without what is there already."""
    bodies = run.bodies
    if ends:
        for place in range(len(bodies), 0, -1):
            if entry_id(bodies[place - 1]) in ends:
                bodies = bodies[place:]
                break
    return Run(run.writer, bodies, tuple(head for head in run.heads if head not in heads))


def _pieces(run: Run) -> Iterator[Run]:
    """The run as files of a bearable size; its heads are in the last."""
    start, size = 0, 0
    for place, body in enumerate(run.bodies):
        if place > start and (place - start == MOST_ENTRIES or size + len(body) > MOST_BYTES):
            yield Run(run.writer, run.bodies[start:place])
            start, size = place, 0
        size += len(body)
    if run.bodies or run.heads:
        yield Run(run.writer, run.bodies[start:], run.heads)


def _packed(run: Run) -> Packed:
    try:
        return pack(run)
    except BadSegment as bad:
        raise StoreError(
            f"writer {run.writer[:8]}: its entries cannot be sent: {bad.message}",
            "run: logbook verify",
        ) from None
