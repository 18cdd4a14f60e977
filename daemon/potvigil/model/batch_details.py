"""The details of a batch, all of them texts: how each is written, how long it may be, why one is refused.

None is required, and an empty text removes one. What a person writes is kept as written, or refused with the
reason; only surrounding blanks are removed, and a time is converted to UTC.
"""

import re
import unicodedata
from datetime import UTC, datetime, timedelta, tzinfo

from potvigil.model.events import Detail
from potvigil.units import MASS, clock_time, span

# Characters: one line of a report; a page of one for the note; as many file names.
LONGEST = dict.fromkeys(Detail, 120) | {Detail.NOTE: 2000, Detail.PICTURES: 2000, Detail.OUTCOME: 500}
# How a cast came out; a remark may follow a colon.
GOOD, FLAWED = "good", "flawed"
# A batch that opens by itself copies these from the pot's last one. Not the label, which names one batch; nor
# anything measured, timed or observed for one pour.
TAKEN_OVER = (Detail.RESIN, Detail.MOULD, Detail.COLOUR)
# Mixing comes before the fill, but clocks differ and times are rounded; no resin stays liquid for a day.
MIXED_LATE_S, MIXED_EARLY_S = 300.0, 86_400.0

_MOST_KG = 1000.0
_SEVERAL_LINES = (Detail.NOTE, Detail.PICTURES)
# Control and format characters, lone surrogates, line and paragraph separators: Unicode Standard, table 4-4.
_REFUSED = ("Cc", "Cf", "Cs", "Zl", "Zp")
_JOINERS = "\u200c\u200d"  # format characters that emoji and several scripts are written with


class DetailError(ValueError):
    """A text that cannot be this detail; one line: which detail, what is wrong, what is accepted."""


def read(field: Detail, text: str) -> str:
    """Return a detail in the form in which it is kept. Raises DetailError."""
    text = text.replace("\r\n", "\n").strip(" \t\n\r")
    if len(text) > LONGEST[field]:
        raise DetailError(f"{field}: {len(text)} characters; at most {LONGEST[field]} are allowed")
    blanks = "\n\t" if field in _SEVERAL_LINES else ""
    if has_control_characters(text, blanks):
        raise DetailError(f"{field}: control characters in the text; write it without them")
    if not text:
        return text
    match field:
        case Detail.MASS:
            text = in_grams(text)
            try:
                mass = MASS.read(text)
            except ValueError as error:
                raise DetailError(f"{field}: {text!r} {error}") from None
            if not 0.0 < mass.si <= _MOST_KG:
                raise DetailError(
                    f"{field}: {text!r} is out of range; give more than 0 and at most {_MOST_KG:g} kg"
                )
        case Detail.OUTCOME:
            return _outcome(text)
        case Detail.MIXED_AT:
            return _moment(text).isoformat(timespec="seconds").replace("+00:00", "Z")
    return text


def in_grams(text: str) -> str:
    """Return a mass with its unit: a bare number is grams, as resin is weighed."""
    return f"{text.strip()} g" if re.fullmatch(r"\s*[0-9]{1,6}(\.[0-9]{1,3})?\s*", text, re.ASCII) else text


def is_flawed(outcome: str) -> bool | None:
    """Return whether a cast had a flaw; None where nobody entered it."""
    return None if not outcome else outcome.partition(":")[0] == FLAWED


def _outcome(text: str) -> str:
    word, _, more = (part.strip() for part in text.partition(":"))
    if word.casefold() not in (GOOD, FLAWED):
        raise DetailError(
            f"{Detail.OUTCOME}: {text!r} is neither good nor flawed; give good, or flawed: what is wrong"
        )
    return f"{word.casefold()}: {more}" if more else word.casefold()


def mixed_utc_s(mixed_at: str) -> float:
    """Return a mixed-at time that was `read`, Unix time."""
    return _moment(mixed_at).timestamp()


def check_mixed_at(mixed_at: str, since_utc_s: float, since: str) -> None:
    """Raise DetailError for a mixed-at time (as `read`) that cannot belong to this batch.

    since_utc_s: when the fill began, or now where it has not; since: that in words.
    """
    late_s = mixed_utc_s(mixed_at) - since_utc_s
    if late_s > MIXED_LATE_S:
        said, most = f"{span(late_s)} after {since}", MIXED_LATE_S
    elif -late_s > MIXED_EARLY_S:
        said, most = f"{span(-late_s)} before {since}", MIXED_EARLY_S
    else:
        return
    raise DetailError(f"{Detail.MIXED_AT}: {mixed_at} is {said}, at most {span(most)} is allowed")


def at_clock(text: str, near_utc_s: float, tz: tzinfo | None) -> str:
    """Return `21:40` as date and time (RFC 3339): the such moment nearest to `near_utc_s`.

    tz: None for the machine's own zone. Any other text is returned unchanged.
    """
    clock = clock_time(text)
    if clock is None:
        return text
    near = datetime.fromtimestamp(near_utc_s, UTC).astimezone(tz)
    moments = []
    for days in (-1, 0, 1):
        naive = datetime.combine(near.date() + timedelta(days=days), clock)
        moments.append(naive.astimezone() if tz is None else naive.replace(tzinfo=tz))
    return min(moments, key=lambda moment: abs(moment.timestamp() - near_utc_s)).isoformat()


def _moment(text: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text)
        if moment.tzinfo is None:
            raise DetailError(
                f"{Detail.MIXED_AT}: {text!r} names no time zone; end it with Z or an offset like +01:00"
            )
        return moment.astimezone(UTC)
    except DetailError:
        raise
    except (ValueError, OverflowError):
        raise DetailError(
            f"{Detail.MIXED_AT}: {text!r} is not a date and time; give one like 2026-01-01T21:40:00Z"
        ) from None


def has_control_characters(text: str, but: str = "") -> bool:
    """Return whether a text has characters a page or terminal would act on; but: characters allowed in it."""
    return any(_is_refused(sign) for sign in text if sign not in but)


def _is_refused(sign: str) -> bool:
    return unicodedata.category(sign) in _REFUSED and sign not in _JOINERS


def is_same_mould(one: str, other: str) -> bool:
    """Return whether two batches certainly had the same mould; an unnamed mould never counts as the same."""
    names = [" ".join(name.split()).casefold() for name in (one, other)]
    return names[0] == names[1] != ""
