"""Amendments: `amendment show`, and `amendment set` for what becomes known after the start."""

from __future__ import annotations

import unicodedata
from decimal import Context, Decimal
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logbook.cli import completing, unusual
from logbook.cli.app import group
from logbook.cli.session import Chosen, Session, as_json, chosen, remark, say
from logbook.cli.wording import own_words
from logbook.errors import BadData, Problem, UserMistake
from logbook.journal.entry import Value, key
from logbook.store import views
from logbook.study.amounts import not_known
from logbook.trial import chemistry, rates, units
from logbook.trial.cautions import cautions
from logbook.trial.records import Amendment, Lot, LotContent, LotDensity, LotMoisture, Soil

if TYPE_CHECKING:
    import sqlite3

_MUCH = 1000  # mg/kg: from here on per cent are usual, too
_SIX = Context(prec=6)

Json = Annotated[bool, typer.Option("--json", help="For programs.")]


def show(context: typer.Context, json: Json = False) -> None:
    """Show the amendments: lots, densities, moisture, contents.

    Examples: logbook amendment show
              logbook amendment show --json
    """
    session: Session = context.obj
    lots, waits = session.read(lambda store: _lots(store, chosen(store, session)))
    if json:
        as_json({"amendments": lots, "not_known": waits})
        return
    for lot in lots:
        say(f"{lot['code']}: {lot['name']} ({lot['material']}), lot {lot['lot']}")
        moisture = _or_not(lot["moisture"], "% wet basis")
        say(f"  density {_or_not(lot['density'], 'kg/L')}, moisture {moisture}")
        for one in lot["contents"]:
            method = chemistry.method_spoken(one["method"])
            say(f"  {one['analyte']} {_content_spoken(one)}, {one['basis']} ({method})")
    for sentence in waits:
        say(f"Waits: {sentence}")


def _content_spoken(one: dict[str, Any]) -> str:
    """`12 % (120000 mg/kg)`: of much, as bags and laboratories write it, beside what is kept."""
    numbers = [one["value"], *([] if one["sd"] is None else [one["sd"]])]

    def spoken(unit: str, divisor: int) -> str:
        shown = (units.short(units.tidied(_SIX.divide(number, divisor))) for number in numbers)
        return f"{' +- '.join(shown)} {unit}"

    kept = spoken(one["unit"], 1)
    if one["unit"] != "mg/kg" or one["value"] < _MUCH:
        return kept
    return f"{spoken('%', 10_000)} ({kept})"


def add(
    context: typer.Context,
    code: Annotated[str, typer.Argument(help="Its code.", show_default=False)],
    name: Annotated[str, typer.Option(help="What it is, in words.")],
    material: Annotated[str, typer.Option(help="Its class, such as compost or 'rock powder'.")],
    lot: Annotated[str, typer.Option(help="Which bag or batch.")],
    density: Annotated[
        str | None, typer.Option(help="Moist, as it is: '0.55 kg/L' [not known yet].")
    ] = None,
    moisture: Annotated[
        str | None, typer.Option(help="'40 % wet basis' or '67 % dry basis' [not known yet].")
    ] = None,
    price: Annotated[str | None, typer.Option(help="Such as '0.80 EUR/kg'.")] = None,
) -> None:
    """Add an amendment with its lot to a running trial; a treatment then names it.

    Examples: logbook amendment add rock --name basalt --material 'rock powder' --lot 1
              logbook amendment add ash --name 'wood ash' --material ash --lot stove
    """
    from logbook.book.corrections import inside

    session: Session = context.obj
    trial = session.read(lambda store: chosen(store, session))
    typed: dict[str, str | None] = {"name": name, "material": material, "lot": lot}
    typed |= {"density": density, "moisture": moisture, "price": price}
    found = session.read(lambda store: _checked(store, trial, code, typed))
    with session.write() as book:
        _checked(inside(book), trial, code, typed)
        act = book.new_code()
        lines: list[tuple[str, Any]] = [
            (key("amendment", act), Amendment(trial.id, code, found["name"], found["material"])),
            (key("lot", act), Lot(trial.id, act, found["lot"], found["price"])),
        ]
        if found["density"] is not None:
            lines.append((key("lot-density", act), LotDensity(act, found["density"])))
        if found["moisture"] is not None:
            lines.append((key("lot-moisture", act), LotMoisture(act, found["moisture"])))
        book.record("set", lines, code=act)
    say(f"{act}  amendment {code}: {found['name']} ({found['material']}), lot {found['lot']}")
    for sentence in cautions(found["material"]):
        say(f"Caution: {sentence}")
    if found["density"] is not None:
        _note(unusual.loose_density(found["density"]))


def _checked(
    store: sqlite3.Connection, trial: Chosen, code: str, typed: dict[str, str | None]
) -> dict[str, Any]:
    """What was typed, read by the rules of the protocol; raises BadData with all problems."""
    from logbook.protocol import measure
    from logbook.protocol.content import NOT_KNOWN

    rules: dict[str, Any] = {
        "name": _words,
        "material": _class,
        "lot": _words,
        "density": measure.lot_density,
        "moisture": measure.moisture,
        "price": measure.price,
    }
    taken = {one.record.code.casefold() for one in _amendments(store, trial)} | {"soil"}
    problems: list[Problem] = []
    values: dict[str, Any] = {}
    if code.casefold() in taken or not code.strip() or not code.isprintable():
        what = f"{code!r} cannot be the code of a new amendment"
        problems.append(Problem("code", what, f"taken: {', '.join(sorted(taken))}"))
    for option, text in typed.items():
        try:
            later = text is None or text.strip() == NOT_KNOWN
            values[option] = None if later else rules[option](text)
        except UserMistake as mistake:
            problems.append(Problem(f"--{option}", mistake.message, mistake.hint))
    if problems:
        raise BadData("the amendment cannot be added", problems)
    return values


def _class(text: str) -> str:
    from logbook.protocol.materials import MATERIALS

    word = " ".join(text.lower().split())
    if word not in MATERIALS:
        raise UserMistake(
            f"{text!r} is not a class of material", f"use one of: {', '.join(MATERIALS)}"
        )
    return word


def _words(text: str) -> str:
    tidy = unicodedata.normalize("NFC", " ".join(text.split()))
    if not tidy or not tidy.isprintable():
        raise UserMistake(f"{text!r} is no name", "say it in words")
    return tidy


def _amendments(store: sqlite3.Connection, trial: Chosen) -> list[views.Found]:
    return views.fetch(store, "amendment", "trial = ?", (trial.id,))


def set_known(
    context: typer.Context,
    code: Annotated[
        str,
        typer.Argument(
            help="The amendment's code, or soil.",
            show_default=False,
            autocompletion=completing.amendments,
        ),
    ],
    density: Annotated[
        str | None,
        typer.Option(help="Bulk density, such as '0.55 kg/L' (soil: dry, settled)."),
    ] = None,
    moisture: Annotated[
        str | None, typer.Option(help="Water: '40 % wet basis' or '67 % dry basis'.")
    ] = None,
    content: Annotated[
        list[str] | None,
        typer.Option(help="One content, such as 'total-N = 1.5 %' (repeat the option)."),
    ] = None,
    basis: Annotated[
        str, typer.Option(help="What the contents count on: dry, or 'as is'.")
    ] = "dry",
    method: Annotated[str, typer.Option(help="How the contents were measured.")] = "",
    reason: Annotated[
        str | None, typer.Option(help="Why a value that was known already changes.")
    ] = None,
) -> None:
    """Write down a density, moisture or analysis that became known after the start.

    Examples: logbook amendment set meal-B --density '0.62 kg/L'
              logbook amendment set meal-B --moisture '8 % wet basis'
              logbook amendment set soil --density '1.28 kg/L'
              logbook amendment set meal-B --content 'total-N = 6 %' --method Dumas
    """
    session: Session = context.obj
    why = own_words(reason or "", "the reason")
    trial = session.read(lambda store: chosen(store, session))
    if density is None and moisture is None and not content:
        raise UserMistake("nothing was given", "--density, --moisture or --content")
    if code.casefold() == "soil":
        lines = _soil(session, trial, density, moisture, content)
    else:
        lot = session.read(lambda store: _lot_of(store, trial, code))
        lines = _facts(lot, density, moisture, content or [], basis, method)
    before = session.read(lambda store: unusual.declared(store, trial.id))
    unlikely = _unlikely(lines, before)
    with session.write() as book:
        values = book.values([name for name, _ in lines])
        known = {name for name, value in values.items() if value and _says(name, value)}
        if known and not why:
            raise UserMistake(
                f"known already: {', '.join(sorted({_called(name) for name in known}))}",
                "add --reason TEXT to correct it; the old value stays readable",
            )
        act = book.record("correct" if known else "set", lines, reason=why or None)
    waits = session.read(lambda store: not_known(store, trial.id))
    say(f"{act.code}  set {len(lines)} value{'s' * (len(lines) != 1)} of {code}")
    for sentence in waits:
        say(f"Waits: {sentence}")
    _note(unlikely)


def _note(remarks: list[str]) -> None:
    for sentence in remarks:
        remark(sentence)


def _unlikely(lines: list[tuple[str, Any]], soil: Decimal | None) -> list[str]:
    """Remarks on densities that hardly can be; `soil` is the soil's density until now."""
    found: list[str] = []
    for _, record in lines:
        if isinstance(record, LotDensity):
            found += unusual.loose_density(record.density)
        elif isinstance(record, Soil) and record.bulk_density is not None:
            found += unusual.bulk_density(record.bulk_density, soil)
    return found


def _says(name: str, value: Value) -> bool:
    """Whether a line says what is to be set: the soil's has its other facts from the start."""
    return not name.startswith("soil/") or value.get("bulk_density") is not None


def _called(name: str) -> str:
    return "the soil's density" if name.startswith("soil/") else name.split("/", maxsplit=1)[0]


def _soil(
    session: Session,
    trial: Chosen,
    density: str | None,
    moisture: str | None,
    content: list[str] | None,
) -> list[tuple[str, Any]]:
    if density is None or moisture or content:
        raise UserMistake("of the soil only the bulk density can be set", "--density '1.3 kg/L'")
    found = session.read(lambda store: views.fetch(store, "soil", "trial = ?", (trial.id,)))
    soil = found[0].record
    value = units.positive(density, "density").to("kg/L", "density")
    return [(key("soil", trial.id), Soil(trial.id, soil.source, soil.texture, value))]


def _facts(
    lot: str,
    density: str | None,
    moisture: str | None,
    content: list[str],
    basis: str,
    method: str,
) -> list[tuple[str, Any]]:
    lines: list[tuple[str, Any]] = []
    if density is not None:
        value = units.positive(density, "density").to("kg/L", "density")
        lines.append((key("lot-density", lot), LotDensity(lot, value)))
    if moisture is not None:
        from logbook.protocol import measure

        water = measure.moisture(moisture)
        lines.append((key("lot-moisture", lot), LotMoisture(lot, water)))
    for text in content:
        name, value, error = _content(text)
        said = (name.unit, _basis(basis), _method(method))
        record = LotContent(lot, name.name, value, *said, error)
        lines.append((key("lot-content", lot, name.name), record))
    return lines


def _content(text: str) -> tuple[chemistry.Analyte, Decimal, Decimal | None]:
    """`total-N = 1.5 % +- 0.05 %` as an analyte, its value and its SD, both canonical.

    P2O5 and K2O become P and K.
    """
    name, equals, both = text.partition("=")
    amount, plus, error = both.replace("±", "+-").partition("+-")
    if not equals:
        raise UserMistake(f"{text!r} is not a content", "write it like 'total-N = 1.5 %'")
    analyte, share = chemistry.find_analyte(name)

    def canonical(part: str) -> Decimal:
        quantity = units.positive(part, analyte.dimension)
        return chemistry.to_canonical(quantity.value, quantity.unit, analyte, share)

    return analyte, canonical(amount), canonical(error) if plus else None


def _basis(text: str) -> str:
    word = " ".join(text.lower().split())
    if word not in rates.BASES:
        raise UserMistake(f"{text!r} is not a basis", f"use one of: {', '.join(rates.BASES)}")
    return word


def _method(text: str) -> str:
    if not text.strip():
        raise UserMistake("a content needs its method", "--method 'dry combustion'")
    return chemistry.method_name(text)


def _lot_of(store: sqlite3.Connection, trial: Chosen, code: str) -> str:
    """The id of the lot of an amendment's code."""
    amendments = views.fetch(store, "amendment", "trial = ?", (trial.id,))
    fitting = [one.id for one in amendments if one.record.code.casefold() == code.casefold()]
    if not fitting:
        known = ", ".join(sorted(one.record.code for one in amendments))
        raise UserMistake(f"there is no amendment {code!r}", f"use one of: {known}, soil")
    lots = views.fetch(store, "lot", "amendment = ?", (fitting[0],))
    if not lots:
        raise UserMistake(f"{code} has no lot")
    return lots[0].id


def _lots(store: sqlite3.Connection, trial: Chosen) -> tuple[list[dict[str, Any]], list[str]]:
    amendments = {
        found.id: found.record
        for found in views.fetch(store, "amendment", "trial = ?", (trial.id,))
    }
    found = []
    for lot in views.fetch(store, "lot", "trial = ?", (trial.id,)):
        of_lot = ("lot = ?", (lot.id,))
        density = views.fetch(store, "lot-density", *of_lot)
        moisture = views.fetch(store, "lot-moisture", *of_lot)
        amendment = amendments[lot.record.amendment]
        found.append(
            {
                "code": amendment.code,
                "name": amendment.name,
                "material": amendment.material,
                "lot": lot.record.name,
                "price": lot.record.price,
                "density": density[0].record.density if density else None,
                "moisture": moisture[0].record.moisture if moisture else None,
                "contents": [
                    {
                        name: getattr(one.record, name)
                        for name in ("analyte", "value", "unit", "basis", "method", "sd")
                    }
                    for one in views.fetch(store, "lot-content", *of_lot)
                ],
            }
        )
    return sorted(found, key=lambda one: one["code"]), not_known(store, trial.id)


def _or_not(value: Decimal | None, unit: str) -> str:
    return "not known yet" if value is None else f"{units.short(value)} {unit}"


COMMANDS = {
    "amendment": group("What the amendments are.", **{"show": show, "set": set_known, "add": add})
}
