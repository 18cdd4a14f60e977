"""The faults of samples: each text is kept once, however many samples have it.

A lost probe gives the same sentence every second, all night: kept with each sample it took two thirds of the
record. `sample.faults` holds the number of its text in the table `fault`.
"""

from collections.abc import Iterable, Mapping

from potvigil.model.reading import Fault
from potvigil.record.codec import faults_to_text
from potvigil.record.readable import Readable

Faults = tuple[Fault, ...]

# The columns of a query of samples. A number without its text comes back as itself, and is then unreadable.
FAULTS_TEXT = "coalesce((SELECT fault.faults FROM fault WHERE fault.id = sample.faults), sample.faults)"


def numbers_of(db: Readable, several: Iterable[Faults]) -> Mapping[Faults, int | None]:
    """Return the number to keep for each, within a transaction that keeps the texts; None for no faults."""
    numbers: dict[Faults, int | None] = {}
    for faults in set(several):
        text = faults_to_text(faults)
        if text is None:
            numbers[faults] = None
            continue
        db.execute("INSERT OR IGNORE INTO fault (faults) VALUES (?)", (text,))
        numbers[faults] = db.rows("SELECT id FROM fault WHERE faults = ?", (text,))[0][0]
    return numbers


def without_text(db: Readable) -> list[tuple[int, float]]:
    """Return pot and t_s of samples whose faults have no text, the first few of them."""
    return db.rows(
        "SELECT pot, t_s FROM sample WHERE faults NOTNULL "
        "AND NOT EXISTS (SELECT 1 FROM fault WHERE fault.id = sample.faults) LIMIT 20"
    )
