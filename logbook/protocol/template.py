"""A documented protocol to start from: an invented trial that reads without problems."""

from __future__ import annotations


def template() -> str:
    """The text of a whole protocol with a remark beside everything that can be changed."""
    return _TEMPLATE


_TEMPLATE = """\
# Protocol of an amendment trial: one file says the whole trial.
#
# The trial below is INVENTED. Change every line to yours, then check the file as often as you
# like: checking writes nothing. Once a trial is started, this file is not read again; later
# changes are corrections in the logbook.
#
# Lines that begin with # are remarks. Texts stand between quotes. Numbers carry their unit:
# "15 cm", "6 in", "40 L", "1.3 kg/L". Whatever a weighing or a laboratory will tell you later may
# be written "not known yet": the trial starts, and what waits on it is listed.

format = 1

[trial]
name = "A compost and a meal (invented)"
question = "How much mineral nitrogen does each release by the day we plant?"
zone = "Europe/Lisbon"            # IANA name of the site's time zone; "today" is today there
planting_day = 28                 # days after application; leave out if nothing is planted
endpoint = "mineral-N"            # the one difference named beforehand; mineral-N if left out
# endpoint_day = 28               # the planting day if left out, else day 28

[lab]
name = "not known yet"            # one laboratory for the whole trial: others cannot be compared
cost_per_sample = "20.00 EUR"     # optional, for the estimate
# usual_days = 10                 # from shipment to report; left out, the median of past reports

[sampling]
depth = "15 cm"                   # no deeper than the mixed layer, or differences are thinned out
cores = 8                         # cores mixed into one sample, never across beds

# Optional: what every pull is divided into, one bag or tin of its own code for each part, and what
# each is for. Left out, a pull is one bag.
# - chilled or frozen: moist soil, for nitrate-N and ammonium-N. Both change within hours in a warm
#   bag, and drying adds ammonium (about 4 mg/kg as nitrogen, the mean of ten soils), which looks
#   like release. On ice at once; to the laboratory within a day or two, else freeze.
# - dried: spread thin and dried the same day, treated and control beds alike; for what keeps: P, K,
#   Ca, Mg, pH, EC.
# - tin: a moisture tin, weighed moist and again after 24 h at 105 C (logbook weigh).
# - retained: kept in case a result has to be checked; for nothing beforehand.
# A result of a part that was not meant for it is kept, and it is said.
# [sampling.parts]
# chilled = ["nitrate-N", "ammonium-N"]
# dried = ["P", "pH", "EC"]
# tin = []
# retained = []

[soil]
source = "garden topsoil, one heap, turned and sieved (invented)"
texture = "sandy loam"
bulk_density = "1.3 kg/L"         # dry, after settling: measure it, a light mix is half of this

[soil.start]                      # before anything is added, each with the method that gave it
nitrate-N = { value = "8 mg/kg", method = "1 M KCl" }
ammonium-N = { value = "not known yet", method = "1 M KCl" }
pH = { value = "6.4", method = "water 1:1" }
P = "not known yet"

# Bed sizes: area and depth, or length, width and depth, or volume and depth. Depth is the fill.
[sizes.bed]
length = "2.4 m"
width = "1.2 m"
depth = "30 cm"

[application]
incorporated = "15 cm"            # how deep it is worked in; controls are forked just as deep
# planned = 2026-03-02            # one date, only used to show the calendar, or one for each block:
# planned = { 1 = 2026-03-02, 2 = 2026-03-09, 3 = 2026-03-09 }

# Amendments: what goes in, one section for each bag or batch. Classes: compost, manure, meal,
# guano, biochar, lime, ash, rock powder, gypsum, sulfur, straw, green manure, seaweed,
# mineral fertiliser, other.
#
# Before you open a bag:
# - Dust and moulds: outdoors or with the door open, bag away from the face, wet the material
#   first, gloves and a well-fitting mask (P2), cover cuts, wash hands. Legionella lives in bagged
#   composts: illness shows 2 to 10 days later. Leave it to others if your immunity is weak.
# - Raw manure: at least 120 days from mixing in to harvest where the crop touches the soil, 90
#   days otherwise (United States organic rule, 7 CFR 205.203); your rules may differ.
# - Lime, wood ash, quicklime burn: goggles, gloves, sleeves, mask. Never mix them with fresh
#   manure or ammonium fertiliser: ammonia gas.
# - Meals, guano and poultry manure can burn roots with ammonia and salt: read the label first.
# - Weedkiller residues outlive composting: sow peas or beans in the material before the trial.
# - What a trial shows says nothing about metals, germs or food safety.

[amendments.compost-A]
name = "yard compost A (invented)"
material = "compost"
lot = "heap 3, screened in January"
density = "0.55 kg/L"             # as it is, moist: weigh a full pail of known volume
moisture = "40 % wet basis"       # water in the wet mass; or "67 % dry basis", water per dry mass
price = "0.05 EUR/L"              # optional

[amendments.compost-A.contents]   # basis: "dry", or "as is" (moist, as it comes out of the bag)
total-N = { value = "1.5 %", basis = "dry", method = "dry combustion" }   # optional: sd = "0.05 %"
P2O5 = { value = "0.6 %", basis = "dry", method = "maker's label" }   # becomes P

[amendments.meal-B]
name = "plant meal B (invented)"
material = "meal"
lot = "bag 17"
density = "not known yet"
moisture = "not known yet"

[amendments.meal-B.contents]
total-N = { value = "6 %", basis = "as is", method = "maker's label" }

# Treatments: the code is what you type and what stands on labels (no blanks, hyphens, commas or
# colons). One of them is the control: it is forked and watered like the others, and gets nothing.
# Rates: "10 % v/v of the mix" (share of the finished mix), "10 % v/v on top of the soil" (9.1 % of
# the mix), "20 t/ha", "2 kg/m2", "50 lb/1000 ft2", "5 g/kg" (per kg of dry soil), "350 g/bed".
# Masses are of the amendment as it is. A rate applies to the layer it is worked into.
[treatments.none]
name = "untreated"
control = true

[treatments.A10]
name = "compost A, a tenth of the mix"
amendment = "compost-A"
rate = "10 % v/v of the mix"

[treatments.M]
name = "meal B"
amendment = "meal-B"
rate = "2 t/ha"

# Every block holds a bed of the control. Draw the treatments by lot within each block and keep the
# seed of the draw (logbook trial layout does both, and needs no beds to stand here); if you chose
# them, write assigned = "by hand" and leave the seed out.
[layout]
assigned = "drawn"
seed = 4711
beds = [
  { label = "B1", block = "1", treatment = "A10", size = "bed" },
  { label = "B2", block = "1", treatment = "none", size = "bed" },
  { label = "B3", block = "1", treatment = "M", size = "bed" },
  { label = "B4", block = "2", treatment = "none", size = "bed" },
  { label = "B5", block = "2", treatment = "M", size = "bed" },
  { label = "B6", block = "2", treatment = "A10", size = "bed" },
  { label = "B7", block = "3", treatment = "M", size = "bed" },
  { label = "B8", block = "3", treatment = "A10", size = "bed" },
  { label = "B9", block = "3", treatment = "none", size = "bed" },
]

# Pulls, in days after each bed's own application. "before" is the soil as it was; day 0 is within
# hours of mixing, controls too: it tells what came in the bag from what is released later. The
# tolerance says how many days early or late still counts. Left out, the calendar is this one:
[calendar]
pulls = [
  { day = "before" },
  { day = 0, tolerance = 0 },
  { day = 3, tolerance = 1 },
  { day = 7, tolerance = 1 },
  { day = 14, tolerance = 1 },
  { day = 28, tolerance = 2 },
  { day = 42, tolerance = 2 },
  { day = 56, tolerance = 3 },
  { day = 84, tolerance = 3 },
]

# Optional. The same water for every bed of a block, the control too. Heaters and pumps near water
# belong on a residual-current breaker.
[watering]
every_days = 2
amount = "3 L/m2"                 # or "9 L per bed"

# What is followed, each with ONE method for the whole trial: results by another method are another
# series. Mineral nitrogen is nitrate-N + ammonium-N of the same sample: follow both.
#
# Optional, declared beforehand, in the longer form of a line:
# - cv: the laboratory's coefficient of variation, as it states it; never for pH, a logarithm.
# - sd: the error that stays where there is next to nothing of the nutrient; pH in units ("0.05").
#   Together: error = sqrt(sd^2 + (cv x value)^2). Where beds differ more, that counts.
# - margin: a difference that matters to you. Only against one can a trial show that two beds are as
#   good as equal. Mineral nitrogen can have one too, and nothing else: it is a sum.
# nitrate-N = { method = "1 M KCl", cv = "8 %", sd = "0.5 mg/kg", margin = "10 mg/kg" }
# mineral-N = { margin = "15 mg/kg" }
[nutrients]
nitrate-N = "1 M KCl"
ammonium-N = "1 M KCl"
P = "Mehlich-3"
pH = "water 1:1"
EC = "water 1:5"
"""
