"""Resins by name in the settings: the list that comes along, own ones, and times given beside the name."""

from importlib.resources import files
from pathlib import Path

import pytest
import yaml

from potvigil.settings.errors import SettingsError
from potvigil.settings.loading import load_text
from potvigil.settings.resins import ResinSettings

POT = """\
workshop: harbour-models
pots:
  lantern:
    internal_volume: 20 L
    maximum_pressure: 80 psi
    working_pressure: 60 psi
    floor_pressure: 45 psi
    thermometer: {place: gas}
    supply: shut
    cure: %s
resins:
  amber-of-the-house: {hold: 9 h, gel: 40 min, at: 21 C}
"""
LIST = yaml.safe_load(files("potvigil").joinpath("resins.yaml").read_text(encoding="utf-8"))


def pot(cure: str):
    settings = load_text(POT % cure, "workshop.yaml")
    assert load_text(settings.as_json(), "as kept in the record").core_pots() == settings.core_pots()
    return settings.core_pots()["lantern"]


@pytest.mark.parametrize("name", sorted(LIST))
def test_every_resin_of_the_list_can_be_named(name: str) -> None:
    resin = ResinSettings.model_validate(LIST[name])
    named = pot(f"{{resin: {name}}}")
    assert (named.hold_s, named.cure_at_k) == (resin.hold.si, resin.at.si if resin.at else None)
    # common practice: a resin is poured before it gels, and gels before it may be vented
    assert named.working_time_s < named.gel_s < named.hold_s


def test_own_resins_extend_the_list_and_own_times_override_both() -> None:
    own = pot("{resin: amber-of-the-house}")
    assert (own.hold_s, own.gel_s, own.working_time_s) == (32_400.0, 2400.0, None)
    assert own.cure_at_k == pytest.approx(294.15)
    assert pot("{resin: amber-of-the-house, hold: 12 h}").hold_s == 43_200.0
    assert pot("{hold: 10 h}").cure_at_k is None


def test_an_unknown_resin_is_one_error_that_names_the_nearest() -> None:
    with pytest.raises(SettingsError) as error:
        pot("{resin: amber-of-the-hous}")
    assert error.value.faults == (
        "workshop.yaml:10: pots.lantern.cure.resin: amber-of-the-hous is not in the list; "
        "did you mean amber-of-the-house? Own ones go under resins:",
    )


def test_the_published_resin_list_is_the_one_in_use() -> None:
    beside = Path(__file__).parents[2] / "config/resins.yaml"
    assert yaml.safe_load(beside.read_text(encoding="utf-8")) == LIST
