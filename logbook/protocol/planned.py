"""The journal keys and records that a protocol stands for: the same on every machine."""

from __future__ import annotations

from collections.abc import Iterator

from logbook.protocol.content import Material, Protocol
from logbook.trial import records

Record = (
    records.Trial
    | records.Soil
    | records.SoilValue
    | records.Amendment
    | records.Lot
    | records.LotDensity
    | records.LotMoisture
    | records.LotContent
    | records.Treatment
    | records.Bed
    | records.PlannedPull
    | records.PlannedPart
    | records.Followed
    | records.WateringPlan
)
Pair = tuple[str, Record]


def planned_records(protocol: Protocol) -> list[Pair]:
    """Every (key, record) of the trial; ids derive from the file's bytes and the labels."""
    tid = protocol.tid
    pairs: list[Pair] = [(f"trial/{tid}", _trial(protocol))]
    soil = records.Soil(tid, protocol.source, protocol.texture, protocol.bulk_density)
    pairs.append((f"soil/{tid}", soil))
    pairs += _soil_values(protocol)
    for material in protocol.materials:
        pairs += _material(protocol, material)
    pairs += _treatments(protocol)
    pairs += _beds(protocol)
    for pull in protocol.pulls:
        key = f"planned-pull/{protocol.id_of('planned-pull', pull.name)}"
        pairs.append((key, records.PlannedPull(tid, pull.name, pull.day, pull.tolerance)))
    for kind, analyses in protocol.parts:
        key = f"planned-part/{protocol.id_of('planned-part', kind)}"
        pairs.append((key, records.PlannedPart(tid, kind, analyses)))
    for one in protocol.nutrients:
        key = f"followed/{protocol.id_of('followed', one.analyte)}"
        record = records.Followed(tid, one.analyte, one.method, one.cv, one.sd, one.margin)
        pairs.append((key, record))
    if protocol.water is not None:
        water = protocol.water
        plan = records.WateringPlan(tid, water.interval, water.amount, water.unit)
        pairs.append((f"watering-plan/{tid}", plan))
    return pairs


def _trial(protocol: Protocol) -> records.Trial:
    return records.Trial(
        name=protocol.name,
        question=protocol.question,
        zone=protocol.zone,
        assigned=protocol.assigned,
        seed=protocol.seed,
        planting_day=protocol.planting_day,
        endpoint=protocol.endpoint,
        protocol=protocol.sha256,
        depth_cm=protocol.depth_cm,
        cores=protocol.cores,
        lab=protocol.lab,
        endpoint_day=protocol.endpoint_day,
        sample_cost=protocol.sample_cost,
        usual_days=protocol.usual_days,
    )


def _soil_values(protocol: Protocol) -> Iterator[Pair]:
    for start in protocol.start:
        if start.value is not None:
            key = f"soil-value/{protocol.id_of('soil-value', start.analyte)}"
            yield (
                key,
                records.SoilValue(
                    protocol.tid, start.analyte, start.value, start.unit, start.method
                ),
            )


def _material(protocol: Protocol, material: Material) -> Iterator[Pair]:
    """An amendment, its lot, and what is known of the lot; the lot's label is the amendment's."""
    amendment = protocol.id_of("amendment", material.code)
    lot = protocol.id_of("lot", material.code)
    yield (
        f"amendment/{amendment}",
        records.Amendment(protocol.tid, material.code, material.name, material.material),
    )
    yield (
        f"lot/{lot}",
        records.Lot(protocol.tid, amendment, material.lot, material.price),
    )
    if material.density is not None:
        yield f"lot-density/{lot}", records.LotDensity(lot, material.density)
    if material.moisture is not None:
        yield f"lot-moisture/{lot}", records.LotMoisture(lot, material.moisture)
    for one in material.contents:
        if one.value is not None:
            record = records.LotContent(
                lot, one.analyte, one.value, one.unit, one.basis, one.method, one.sd
            )
            yield f"lot-content/{lot}/{one.analyte}", record


def _treatments(protocol: Protocol) -> Iterator[Pair]:
    for one in protocol.treatments:
        lot = None if one.amendment is None else protocol.id_of("lot", one.amendment)
        yield (
            f"treatment/{protocol.id_of('treatment', one.code)}",
            records.Treatment(
                trial=protocol.tid,
                code=one.code,
                name=one.name,
                control=one.control,
                lot=lot,
                rate=one.rate,
                rate_unit=one.rate_unit,
                depth_cm=protocol.incorporated_cm,
            ),
        )


def _beds(protocol: Protocol) -> Iterator[Pair]:
    sizes = {size.name: size for size in protocol.sizes}
    for place, bed in enumerate(protocol.beds, start=1):
        size = sizes[bed.size]
        record = records.Bed(
            trial=protocol.tid,
            label=bed.label,
            block=bed.block,
            treatment=protocol.id_of("treatment", bed.treatment),
            place=place,
            area_m2=size.area_m2,
            depth_cm=size.depth_cm,
        )
        yield f"bed/{protocol.id_of('bed', bed.label)}", record
