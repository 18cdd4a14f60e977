"""What a studio's page needs: the database, only the right to read it, and data from each Pi."""

from collections.abc import Iterator
from typing import TYPE_CHECKING

from potvigil.checking.finding import Finding, fault, good, unknown
from potvigil.checking.reach import closed_secret
from potvigil.record.errors import AwayRecordError
from potvigil.settings.studio import StudioSettings
from potvigil.units import span

if TYPE_CHECKING:
    from potvigil.studio.reading import StudioReader  # with libraries of its own, which may be missing

WHAT = "studio"


def on_studio_page(settings: StudioSettings) -> Iterator[Finding]:
    """Yield whether the studio's database is there for the page, and how old the newest of each Pi is."""
    if (closed := closed_secret(WHAT, settings.password_file)) is not None:
        yield closed
        return
    try:
        from potvigil.studio.address import StudioError, address_of
        from potvigil.studio.reading import StudioReader
    except ImportError:
        yield unknown(WHAT, "cannot be checked without its libraries")
        return
    try:
        address = address_of(settings)
        reader = StudioReader(address.reading_engine())
        try:
            reader.check()
            yield _rights(address.name, reader.beyond_reading())
            yield from _heard(reader)
        finally:
            reader.close()
    except (StudioError, AwayRecordError) as error:
        yield fault(WHAT, str(error))


def _rights(name: str, beyond: list[str]) -> Finding:
    if not beyond:
        return good(WHAT, f"lets {name} read, and do nothing else")
    return fault(
        WHAT,
        f"lets {name} {' and '.join(beyond)}; the page only reads: give it a user of its own, made with "
        "`potvigil studio admit NAME --reader --workshop ID`",
    )


def _heard(reader: "StudioReader") -> Iterator[Finding]:
    """Yield for each Pi how long ago its record was last shipped; records replaced by a copy are left out."""
    from potvigil.studio.reading import SILENT_S

    records = [each for each in reader.records() if not each.is_past]
    if not records:
        yield unknown(
            WHAT, "no Pi has yet sent anything that this page may see; config/studio.md says how it does"
        )
    for each in records:
        who = f"{each.workshop}, {each.owner}: the newest row came {span(each.age_s)} ago"
        if each.age_s <= SILENT_S:
            yield good(WHAT, who)
        else:
            yield unknown(WHAT, f"{who}; if that Pi should be on, `systemctl status potvigil-ship` there")
