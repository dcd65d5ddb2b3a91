"""What happens to a sample between the pull and the laboratory's desk, and to what comes back.

Part of the vocabulary of `records`, through which it is read (`records.Shipment`); a module of its
own, since the board that people look at all day needs none of it. `sample` is always the code on
the bag: of a pull, of a part of one, or of a blind. That a sample was pulled, sent or reported
follows from its pull, its `Sent` and its results, and is not written a second time.
"""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from logbook.trial.records import Record, record
from logbook.trial.times import When


@record
class Shipment(Record):
    """Samples that went to a laboratory together; `by_what` is how ("by post", "by hand").

    The code follows from the trial, the laboratory, the day and the samples: two machines that
    write the same shipment down make one.
    """

    trial: str
    code: str
    lab: str
    when: When
    by_what: str
    text: str


@record
class Sent(Record):
    """One sample of a shipment: its `place` in the packing order, from 1, and what is asked for.

    `analyses` are nutrients, `methods` the method asked for each, in the same order.
    """

    shipment: str
    sample: str
    place: int
    analyses: tuple[str, ...]
    methods: tuple[str, ...] = ()


@record
class Handling(Record):
    """Something done with a sample, or with one `analysis` on it ("": the whole bag).

    `state` is one of `records.HANDLED`.
    """

    sample: str
    analysis: str
    state: str
    when: When
    text: str


@record
class Blind(Record):
    """A code of ours that the laboratory takes for one more sample.

    A "duplicate" is a second half of the soil of the bag `of`; a "reference" is from the reference
    material named `of`. It belongs to no bed and stands in no curve.
    """

    code: str
    kind: str
    of: str
    trial: str


@record
class Reference(Record):
    """The assigned value of a reference material, canonical, by one method.

    `sd` is the standard deviation that goes with it, in the same unit; `trial` is "" where the
    material is used in every trial.
    """

    name: str
    analyte: str
    value: Decimal
    unit: str
    method: str
    sd: Decimal | None = None
    trial: str = ""


@record
class Query(Record):
    """A question about a result, in a sentence (`what`); `kind` says which check asks.

    `report` is the laboratory's report; `deadline` the last day on which the laboratory can still
    measure again, where it is known. A query changes no value.
    """

    sample: str
    analyte: str
    method: str
    report: str
    what: str
    kind: str
    opened: When
    deadline: date | None = None


@record
class Answer(Record):
    """What a person made of a query: `what` is one of `records.ANSWERS`.

    `query` is the query's id, its key without the space; the answer has the same id.
    """

    query: str
    sample: str
    what: str
    when: When
    text: str
