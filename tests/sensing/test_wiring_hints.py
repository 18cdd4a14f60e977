"""Hints for a freshly wired pot: the likely fault, in plain words."""

from dataclasses import replace

import pytest

from potvigil.model.pot import Transducer
from potvigil.model.reading import Sample
from potvigil.model.signal import FIVE_VOLT, LOOP
from potvigil.sensing.wiring_hints import remark
from shut_pot import PSI, pot

LSB_V = 187.5e-6
PLAIN = Transducer(volts_per_count=LSB_V, span_pa=100 * PSI, supply_volts_per_count=LSB_V)


def look(signal_v: float, supply_v: float = 5.0, of: Transducer = PLAIN) -> tuple[bool, str]:
    sample = Sample(0.0, transducer_count=signal_v / LSB_V, supply_count=supply_v / LSB_V)
    return remark(pot(transducer=of), sample, 32767.0)


@pytest.mark.parametrize(
    ("signal_v", "supply_v", "usable", "words"),
    [
        (0.51, 5.0, True, ""),
        (4.2, 5.0, True, ""),
        (0.0, 5.0, False, "0 V: the signal wire is off or touches ground"),
        (0.0, 0.0, False, "no supply at the transducer"),
        (4.95, 5.0, False, "as high as the supply"),
        (6.2, 5.0, False, "end of its range"),
        (2.5, 5.0, True, "half the supply"),
        (0.15, 5.0, False, "broken wire"),
        (0.3, 5.0, True, "beyond the end of its scale"),
        (2.0, 4.0, False, "its supply is 4.00 V, not 5 V"),
    ],
)
def test_hints_for_a_ratiometric_transducer(
    signal_v: float, supply_v: float, usable: bool, words: str
) -> None:
    ok, text = look(signal_v, supply_v)
    assert ok is usable
    assert words in text
    assert bool(text) is bool(words)


def test_hints_for_a_current_loop_and_a_plain_voltage() -> None:
    loop = replace(PLAIN, signal=LOOP, supply_volts_per_count=None)
    assert look(0.0, of=loop) == (
        False, "0 V: the signal wire is off or touches ground, or the transducer (or converter) has no supply"
    )  # fmt: skip
    assert "or the transmitter signals a failure of its own" in look(0.3, of=loop)[1]
    assert look(1.2, of=loop) == (True, "")
    plain = replace(PLAIN, signal=FIVE_VOLT, supply_volts_per_count=None)
    ok, text = look(0.0, of=plain)
    assert ok
    assert "cannot tell one from the other" in text


def test_only_a_0_v_signal_near_zero_leaves_a_broken_wire_open() -> None:
    plain = replace(PLAIN, signal=FIVE_VOLT, supply_volts_per_count=None)
    assert [look(volts, of=plain)[1] != "" for volts in (0.049, 0.06, 2.0, 2.5)] == [
        True,
        False,
        False,
        False,
    ]
    coarse = replace(plain, volts_per_count=0.05)  # to the very edge
    assert remark(pot(transducer=coarse), Sample(0.0, transducer_count=1.0), 100.0) == (True, "")


def test_no_reading_gives_no_hint() -> None:
    assert remark(pot(transducer=PLAIN), Sample(0.0), 32767.0) == (False, "")


def test_no_hint_promises_anything() -> None:
    hints = [look(volts)[1] for volts in (0.0, 0.15, 0.3, 2.5, 4.95, 6.2)]
    assert not any("safe" in text.lower() or text.endswith("!") for text in hints)
