"""How the command line names the details of a batch and the parts of a pot."""

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
