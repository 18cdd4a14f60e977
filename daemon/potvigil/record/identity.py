"""The identity of a record, by which its rows are known wherever they are copied."""

from dataclasses import dataclass
from uuid import UUID, uuid4

from potvigil.record.database import Database


@dataclass(frozen=True, slots=True)
class Identity:
    """record: new for every new record. copied_from: of the one whose backup this started as."""

    record: UUID
    copied_from: UUID | None


def identity_of(db: Database) -> Identity:
    """Return the identity. Raises DamagedRecordError where there is none."""
    found = db.read(
        lambda row: Identity(UUID(row[0]), None if row[1] is None else UUID(row[1])),
        "SELECT record, copied_from FROM identity",
    )
    if len(found) != 1:
        raise db.damaged("it has no identity")
    return found[0]


def renew(db: Database) -> Identity:
    """Give a record that continues from the backup of another a new identity, and return it."""
    renewed = Identity(uuid4(), identity_of(db).record)
    with db.transaction(durable=True):
        db.execute(
            "UPDATE identity SET record = ?, copied_from = ?", (str(renewed.record), str(renewed.copied_from))
        )
    return renewed
