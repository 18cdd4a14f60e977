"""Options for the details of a batch and for a plan, and the names of parts and units."""

from potvigil.model.events import Detail
from potvigil.model.maintenance import Part
from potvigil.planning.request import Ask

PARTS = tuple(part.value for part in Part)
UNITS = ("psi", "bar", "kPa")  # as in the settings: units.pressure

# Each detail's option and its help; that for pictures may be repeated.
DETAIL_OPTIONS = {
    Detail.LABEL: ("--label", "a name for it"),
    Detail.RESIN: ("--resin", "a resin of the settings, or any words"),
    Detail.MOULD: ("--mould", "the mould used"),
    Detail.COLOUR: ("--colour", "the pigment used"),
    Detail.MASS: ("--mass", 'what was poured, with its unit: "250 g"'),
    Detail.MIXED_AT: ("--mixed-at", "when mixing began: 21:40, or RFC 3339"),
    Detail.NOTE: ("--note", "anything else"),
    Detail.OUTCOME: ("--outcome", 'how the cast came out: good, or "flawed: bubbles at the rim"'),
    Detail.PICTURES: ("--picture", "a picture of the cast, kept beside the record and shown; '' starts over"),
}

# The options of a plan: argument and help.
PLAN_OPTIONS = {
    Ask.MOULD: ("SIZE", 'outside of the mould: "12 x 8 x 6 cm", or diameter and height "9 x 6 cm"'),
    Ask.STAND: ("HEIGHT", 'what the mould stands on: "3 cm"'),
    Ask.INSIDE: ("SIZE", 'diameter and height inside the pot, if not in the settings: "28 x 30 cm"'),
    Ask.MASS: ("MASS", 'what is poured: "250 g"'),
    Ask.RESIN: ("NAME", "a resin of the list or the settings; the pot's usual one if left out"),
    Ask.ROOM: ("TEMPERATURE", 'the room now: "18 C" or "64 F"; as measured if left out'),
    Ask.NIGHT: ("NIGHT", "steady: as warm as now; down: to --night-low; like the last one if left out"),
    Ask.NIGHT_LOW: ("TEMPERATURE", 'the coldest of the night: "12 C" or "54 F"'),
    Ask.START: ("HH:MM", "when you begin to mix; now if left out"),
    Ask.UNTIL: ("HH:MM", "when you want the cast out"),
    Ask.TANK: ("PRESSURE", 'the compressor\'s pressure now: "110 psi"'),
    Ask.MIXING: ("TIME", 'how long you stir: "4 min"'),
    Ask.POURING: ("TIME", "how long you pour"),
    Ask.LOADING: ("TIME", "mould into the pot, lid and clamps"),
}
