"""How the command line names the details of a batch, the parts of a pot, and what a plan is made of."""

from potvigil.core.care import Part
from potvigil.core.event import Detail

PARTS = tuple(part.value for part in Part)

# Each detail's option and what is said of it; the option of the pictures may be given several times.
DETAIL_OPTIONS = {
    Detail.LABEL: ("--label", "a name of its own"),
    Detail.RESIN: ("--resin", "a resin of the settings, or any words"),
    Detail.MOULD: ("--mould", "what was cast in"),
    Detail.COLOUR: ("--colour", "what it was coloured with"),
    Detail.MASS: ("--mass", 'what was poured, with its unit: "250 g"'),
    Detail.MIXED_AT: ("--mixed-at", "when mixing began: 21:40, or RFC 3339"),
    Detail.NOTE: ("--note", "anything else"),
    Detail.PICTURES: ("--picture", "a file's name, added to those there are; '' begins anew"),
}

# What may be said of a pour that is planned: option, what it takes, and what is said of it.
PLAN_OPTIONS = (
    ("--mould", "SIZE", 'outside of the mould: "12 x 8 x 6 cm", or diameter and height "9 x 6 cm"'),
    ("--stand", "HEIGHT", 'what the mould stands on: "3 cm"'),
    ("--inside", "SIZE", 'diameter and height inside the pot, if not in the settings: "28 x 30 cm"'),
    ("--mass", "MASS", 'what is poured: "250 g"'),
    ("--resin", "NAME", "a resin of the list or the settings; the pot's usual one if left out"),
    ("--room", "TEMPERATURE", 'the room now: "18 C"; as measured if left out'),
    ("--night-low", "TEMPERATURE", 'the coldest of the night: "12 C"; like last night if left out'),
    ("--start", "HH:MM", "when you begin to mix; now if left out"),
    ("--until", "HH:MM", "when you want the cast out"),
    ("--tank", "PRESSURE", 'the compressor\'s tank as it stands: "110 psi"'),
    ("--mixing", "TIME", 'how long you stir: "4 min"'),
    ("--pouring", "TIME", "how long you pour"),
    ("--loading", "TIME", "mould into the pot, lid and clamps"),
)
