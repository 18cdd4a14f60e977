"""The studio's server fails in the middle of a night; its replica is promoted, and shipping goes on."""

import pytest

from postgres import Postgres, address
from potvigil.studio.address import StudioError
from potvigil.studio.preparing import MACHINE, admit, prepare
from shipped import WORKSHOP, Life, differing, shipper


def test_rows_missing_on_a_promoted_replica_are_shipped_again(tmp_path):
    record = tmp_path / "record.db"
    life = Life(record, seed=50)
    with Postgres() as primary:
        prepare(primary.owner())
        password = admit(primary.owner(), "lantern-pi", MACHINE, [WORKSHOP])
        replica = primary.replica()
        to = address("lantern-pi", password, primary.port, replica.port).engine()
        try:
            replica.start()
            for _ in life.steps(20):
                pass
            shipper(record, to).ship()
            replica.stop()  # it never receives what comes now
            for _ in life.steps(20):
                pass
            shipper(record, to).ship()
            assert differing(record, primary.owner()) == {}
            primary.stop("immediate")
            replica.start()
            with pytest.raises(StudioError):  # it may not be written yet
                shipper(record, to).ship()
            replica.promote()
            for _ in life.steps(20):
                pass
            life.close()
            shipper(record, to).ship()
            assert differing(record, replica.owner()) == {}
        finally:
            replica.clear()
