"""What to know before a material is opened and mixed in: cautions by class of material.

Common practice of the trade. The intervals between raw manure and harvest are those of the United
States organic rule, 7 CFR 205.203(c)(1): 120 days where the crop touches the soil, else 90.
"""

from __future__ import annotations

_DUST = (
    "dust and moulds: outdoors or with the door open, bag away from the face, wet the material "
    "first, gloves and a well-fitting mask (P2), cover cuts, wash hands"
)
_LEGIONELLA = (
    "Legionella lives in bagged composts: illness shows 2 to 10 days later; leave it to others if "
    "your immunity is weak"
)
_RAW = (
    "raw manure: at least 120 days from mixing in to harvest where the crop touches the soil, 90 "
    "days otherwise (United States organic rule, 7 CFR 205.203); your rules may differ"
)
_BURNS = (
    "lime, wood ash, quicklime burn: goggles, gloves, sleeves, mask; never mix them with fresh "
    "manure or ammonium fertiliser: ammonia gas"
)
_SALT = "meals, guano and poultry manure can burn roots with ammonia and salt: read the label first"
_RESIDUES = (
    "weedkiller residues outlive composting: sow peas or beans in the material before the trial"
)
_SILENT = "what a trial shows says nothing about metals, germs or food safety"
_BY_CLASS: dict[str, tuple[str, ...]] = {
    "compost": (_DUST, _LEGIONELLA, _RESIDUES),
    "manure": (_DUST, _RAW, _SALT, _RESIDUES),
    "meal": (_DUST, _SALT),
    "guano": (_DUST, _SALT),
    "lime": (_DUST, _BURNS),
    "ash": (_DUST, _BURNS),
    "straw": (_DUST, _RESIDUES),
    "green manure": (_RESIDUES,),
}


def cautions(material: str) -> tuple[str, ...]:
    """The cautions for a class of material (protocol: `material`), the general ones last."""
    return (*_BY_CLASS.get(material, (_DUST,)), _SILENT)
