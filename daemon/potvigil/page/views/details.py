"""The form for the details of a batch: its fields, and how a submitted form is read.

A form carries a digest of each field's value as it was shown, so an edit made meanwhile in another tab, on
another phone or in a terminal is not silently overwritten.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import tzinfo
from typing import Any

from potvigil.model import batch_details
from potvigil.model.batch_details import FLAWED
from potvigil.model.events import LAST_BATCH, Detail
from potvigil.page.views import words
from potvigil.page.views.now import PotsOf
from potvigil.record.requests.batch_query import Wanted
from potvigil.record.requests.detail_input import habits_of
from potvigil.record.rows import BatchRow
from potvigil.record.store import Store
from potvigil.wording.quantities import shown

FIELDS = {
    Detail.LABEL: ("Label", "a name for it"),
    Detail.RESIN: ("Resin", "one of the settings, or any words"),
    Detail.MOULD: ("Mould", "the mould used"),
    Detail.COLOUR: ("Colour", "the pigment used"),
    Detail.MASS: ("Mass", "what was poured, with its unit: 250 g"),
    Detail.MIXED_AT: ("Mixed at", "when mixing began: 21:40"),
    Detail.NOTE: ("Note", "anything else"),
    Detail.OUTCOME: ("The cast", "good, or flawed: what is wrong"),
    Detail.PICTURES: ("Pictures", "file names, one a line; only those added here are shown"),
}
_LONG = (Detail.NOTE, Detail.PICTURES)
_KNOWN_LATER = (Detail.OUTCOME, Detail.PICTURES)  # not asked before the batch is opened
_SUGGESTED_FROM = 200  # last batches whose moulds and colours are suggested
_MINE, _THEIRS = "mine", "theirs"


@dataclass(frozen=True, slots=True)
class SentForm:
    """A submitted form. given: the changes. clashes: the values others saved meanwhile in those fields."""

    given: dict[Detail, str] = field(default_factory=dict)
    clashes: dict[Detail, str] = field(default_factory=dict)


def fields(
    store: Store, row: BatchRow | None, pots_of: PotsOf, sent: SentForm | None = None
) -> list[dict[str, Any]]:
    """Return the form's fields. row: None before a batch is opened. sent: a form that could not be saved."""
    sent = sent or SentForm()
    tz = habits_of(store)[1]
    run = store.last_run()
    pots = {} if run is None else pots_of(run.settings_json)
    resins = sorted({name for pot in pots.values() for name in pot.resins})
    by = {} if row is None else {edit.field: edit.by for edit in store.edits(row.id)}
    before = [each.details for each in store.listed(Wanted(limit=_SUGGESTED_FROM))]
    shown_fields = []
    for detail, (name, hint) in FIELDS.items():
        if row is None and detail in _KNOWN_LATER:
            continue
        stored = _stored(row, detail, tz)
        suggested = (
            [each[detail] for each in before if each.get(detail)]
            if detail in batch_details.TAKEN_OVER
            else []
        )
        if detail is Detail.RESIN:
            suggested = [*suggested, *resins]
        shown_fields.append(
            {
                "name": detail.value,
                "label": name,
                "kept": stored,
                "value": shown(sent.given.get(detail, stored)),
                "base": _digest(stored),
                "theirs": sent.clashes.get(detail),
                "hint": hint,
                "long": detail in _LONG,
                "list": [shown(each) for each in dict.fromkeys(suggested)][:50],
                "by": LAST_BATCH if by.get(detail) == LAST_BATCH else "",
                "changed_by": shown(by.get(detail, "")),
            }
        )
    return shown_fields


def read_sent(form: Mapping[str, str], row: BatchRow | None, tz: tzinfo | None) -> SentForm:
    """Return the changes in a form; a field that was not sent, or is as stored, is left alone."""
    sent = SentForm()
    for detail in Detail:
        text = _text(form, detail)
        if text is None or form.get(f"choose-{detail}") == _THEIRS:
            continue
        stored = "" if row is None else row.details.get(detail, "")
        shown_as, base = _stored(row, detail, tz), form.get(f"base-{detail}")
        if text in (stored, shown(stored), shown_as) or _digest(text) == base:
            continue
        sent.given[detail] = text
        if base is not None and base != _digest(shown_as):
            sent.clashes[detail] = shown_as
    return sent


def _text(form: Mapping[str, str], detail: Detail) -> str | None:
    text = form.get(detail.value)
    flaw = form.get("flaw", "").strip()
    if detail is Detail.OUTCOME and flaw:
        return f"{text or FLAWED}: {flaw}"
    return None if text is None else text.replace("\r\n", "\n").strip()


def _stored(row: BatchRow | None, detail: Detail, tz: tzinfo | None) -> str:
    """Return the stored detail as a form shows it."""
    text = "" if row is None else row.details.get(detail, "")
    if detail is Detail.MIXED_AT and text:
        return words.local(batch_details.mixed_utc_s(text), tz).isoformat(timespec="seconds")
    return shown(text)


def _digest(text: str) -> str:
    return hashlib.sha256(text.strip().encode()).hexdigest()[:16]
