"""The questions of `setup`, from the workshop's name to the broker; devices found are suggested."""

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from potvigil.commands.dialogues.asker import Asker
from potvigil.drivers.look import OneWireProbe, Survey
from potvigil.model.signal import SIGNALS
from potvigil.page.passwords import LEAST_PASSWORD, LONGEST_PASSWORD, hashed
from potvigil.setting_up import suggest
from potvigil.setting_up.draft import Draft, Path, fault_of, get, put
from potvigil.setting_up.text import inline
from potvigil.settings.resins import known_resins

_PLACES = ("gas", "wall", "room", "contents", "none")
_CONVERTERS = ("ads1115", "ads1015", "mcp3008", "mcp3208")
_OWN_TIME = "own"


@dataclass
class Answers:
    """draft: the settings. secrets: content of the separate files beside them, by file name."""

    draft: Draft
    secrets: dict[str, str] = field(default_factory=dict)


def ask_all(asker: Asker, found: Survey, before: Draft, host: str) -> Answers:
    """Ask everything. before: the existing settings, empty for none. host: this machine's name."""
    questions = _Questions(asker, found, Answers(before))
    questions.workshop()
    questions.pots()
    questions.barometer()
    questions.signals()
    questions.notification()
    questions.page(host)
    questions.broker()
    return questions.answers


class _Questions:
    def __init__(self, asker: Asker, found: Survey, answers: Answers) -> None:
        self._asker, self._found, self.answers = asker, found, answers
        self._unit = str(get(answers.draft, ("units", "pressure")) or "psi")
        self._temperature_unit = suggest.temperature_unit(answers.draft)

    def workshop(self) -> None:
        self._heading("The workshop")
        self._text(("workshop",), "What is it called? Lower-case letters, digits, hyphens", "workshop")
        self._unit = self._asker.choice("Pressures in", suggest.UNITS, self._unit)
        self._temperature_unit = self._asker.choice(
            "Temperatures in", suggest.TEMPERATURE_UNITS, self._temperature_unit
        )
        for of, unit, usual in (
            ("pressure", self._unit, "psi"),
            ("temperature", self._temperature_unit, "C"),
        ):
            if unit != usual or get(self.answers.draft, ("units", of)) is not None:
                self._put(("units", of), unit)

    def pots(self) -> None:
        ids = list(get(self.answers.draft, ("pots",)) or ())
        number = 0
        while number < len(ids) or not ids or self._asker.yes("Another pot?", False):
            self._heading(f"Pot {number + 1}")
            if number < len(ids):
                pot = ids[number]
                self._asker.say(f"{pot}, as it is in the settings; Enter leaves an answer as it is.")
            else:
                pot = self._new_id(ids)
                ids.append(pot)
            self._pot(("pots", pot), [get(self.answers.draft, ("pots", each)) for each in ids[:number]])
            number += 1

    def _new_id(self, ids: list[str]) -> str:
        def fault(given: str) -> str | None:
            if given in ids:
                return "is already the name of a pot; give another"
            return fault_of(put({}, ("pots", given), {}), ("pots", given), itself=True)

        usual = "pot" if not ids else f"pot-{len(ids) + 1}"
        return self._asker.text("What is the pot called?", usual, fault) or usual

    def _pot(self, pot: Path, before: list[Any]) -> None:
        marked, held = suggest.EXAMPLES[self._unit]
        self._text((*pot, "internal_volume"), "How much does the empty pot hold, lid on?", example="20 L")
        self._text(
            (*pot, "contents_volume"),
            "How much of that do mould, resin and stand take up?",
            example="3 L",
            optional=True,
        )
        self._text(
            (*pot, "maximum_pressure"), "The maximum marked on the pot (never exceed it)", example=marked
        )
        working = self._text((*pot, "working_pressure"), "The pressure you cast at", example=held)
        self._text(
            (*pot, "floor_pressure"),
            "Below which pressure do bubbles grow back too far? An alarm comes before that",
            suggest.floor(working or ""),
        )
        supply = str(get(self.answers.draft, (*pot, "supply")) or "shut")
        choices = ("shut", "regulated")
        self._put((*pot, "supply"), self._asker.choice("The supply valve during the hold", choices, supply))
        self._cure((*pot, "cure"))
        self._thermometer((*pot, "thermometer"))
        self._transducer((*pot, "transducer"), [each.get("transducer") or {} for each in before])

    def _cure(self, cure: Path) -> None:
        known = get(self.answers.draft, cure)
        usual = str(known["resin"]) if isinstance(known, dict) and "resin" in known else _OWN_TIME
        own = get(self.answers.draft, ("resins",))
        resins = [*known_resins(), *(own if isinstance(own, dict) else ())]
        self._asker.say("The maker's data sheet comes first: `own` asks for its time.")
        resin = self._asker.choice("The usual resin", [*resins, _OWN_TIME], usual)
        if resin != _OWN_TIME:
            if usual != resin:
                self._put(cure, {"resin": resin})
            return
        if usual != _OWN_TIME:
            self._put(cure, None)
        self._text((*cure, "hold"), "How long must it stay under pressure until it is hard?", example="10 h")
        self._text(
            (*cure, "gel"), "How long from mixing until it no longer flows?", example="40 min", optional=True
        )

    def _thermometer(self, path: Path) -> None:
        known = get(self.answers.draft, path)
        if known is not None and self._asker.yes(f"Thermometer: keep {_in_short(known)}?", True):
            return
        self._until_valid(path, lambda: self._put(path, suggest.thermometers(self._places())))
        if get(self.answers.draft, path) == {"place": "none"}:
            question = "By how much may the pot's temperature change in a night?"
            self._text((*path[:-1], "room_swing"), question, "8 K")

    def _places(self) -> list[tuple[OneWireProbe, str]]:
        places: list[tuple[OneWireProbe, str]] = []
        for probe in self._found.probes:
            reads = probe.reads(self._temperature_unit)
            question = f"Thermometer {probe.rom_id}, {reads} (hold it in your hand to know it). Where is it?"
            place = self._asker.choice(question, _PLACES, "wall" if not places else "none")
            places.append((probe, place))
        if not places:
            self._asker.say(
                "No DS18B20 answers. Without a thermometer it takes longer to tell a leak from cooling."
            )
        return places

    def _until_valid(self, path: Path, ask: Callable[[], None]) -> None:
        """Repeat a block of questions until the answers are consistent, also with the rest."""
        while True:
            ask()
            fault = fault_of(self.answers.draft, path)
            if fault is None:
                return
            self._asker.say(f"  {fault}", "yellow")

    def _transducer(self, path: Path, taken: list[dict[str, Any]]) -> None:
        known = get(self.answers.draft, path)
        if known is not None and self._asker.yes(f"Transducer: keep {_in_short(known)}?", True):
            return
        keys = suggest.transducer(self._found, self._unit, taken)
        self._until_valid(path, lambda: self._wiring(path, keys))

    def _wiring(self, path: Path, keys: dict[str, str]) -> None:
        self._asker.say(
            f"As drawn in the guide (A): ADS1115 at {keys.get('address', '0x48')}, the signal of 0.5-4.5 V "
            f"on input {keys['channel']} and its 5 V on input {keys['supply_channel']}, both behind 10 and "
            "15 kohm."
        )
        if self._asker.yes("Is it wired like that?", True):
            self._put(path, keys)
        else:
            self._put(path, {key: keys[key] for key in ("bus", "address") if key in keys})
            self._other_wiring(path)
        self._text((*path, "span"), "The pressure at the end of its scale, as printed on it", keys["span"])

    def _other_wiring(self, path: Path) -> None:
        device = self._asker.choice("The converter", _CONVERTERS, _CONVERTERS[0])
        if device != _CONVERTERS[0]:
            self._put((*path, "device"), device)
        if device.startswith("mcp"):
            self._put((*path, "bus"), None)
            self._put((*path, "address"), None)
            self._text((*path, "spi_device"), "Its chip select: 0 is CE0, 1 is CE1", "0")
        else:
            self._text((*path, "address"), "Its address", "0x48")
        self._text((*path, "channel"), "The input its signal is on", "0")
        signal = self._asker.choice("The signal", list(SIGNALS), next(iter(SIGNALS)))
        if not suggest.is_ratiometric(signal):
            self._put((*path, "signal"), signal)
        if "mA" in signal:
            self._text((*path, "shunt"), "The resistor its current is measured over", "100 ohm")
            return
        if suggest.is_ratiometric(signal):
            self._text(
                (*path, "supply_channel"), "The input its supply is measured on", example="1", optional=True
            )
        self._text(
            (*path, "divider"),
            "Volts at the converter divided by volts at the transducer, 1 without a divider",
            "1",
        )

    def barometer(self) -> None:
        self._heading("The pressure outside")
        if get(self.answers.draft, ("barometer", "device")) is None and (
            keys := suggest.barometer(self._found)
        ):
            self._asker.say(f"A {keys['device'].upper()} answers at {keys['address']} and will be used.")
            for key, value in keys.items():
                self._put(("barometer", key), value)
        self._text(("barometer", "altitude"), "How high is the workshop above the sea?", "0 m")

    def signals(self) -> None:
        self._heading("Lamp, buzzer, button")
        if not self._asker.yes(
            "Is a lamp, a buzzer or a button wired to pins?", bool(get(self.answers.draft, ("signals",)))
        ):
            self._put(("signals",), None)
            return
        for key, pin in (("lamp", "17"), ("buzzer", "16"), ("button", "26")):
            known = get(self.answers.draft, ("signals", key))
            if isinstance(known, dict):
                self._asker.say(f"{key}: {_in_short(known)}, left as it is")
                continue
            self._text(("signals", key), f"The {key}: its BCM number", example=pin, optional=True)

    def notification(self) -> None:
        self._heading("Notification")
        known = get(self.answers.draft, ("notify", "targets"))
        targets = list(known) if isinstance(known, list) else []
        if targets:
            self._asker.say(f"Notified so far: {', '.join(str(each.get('name', '?')) for each in targets)}")
        while self._asker.yes("Notify somebody else?" if targets else "Notify somebody by phone?", False):
            target, file, address = self._target(targets)
            targets = [*targets, target]
            self._put(("notify", "targets"), targets)
            self.answers.secrets[file] = address

    def _target(self, targets: list[Any]) -> tuple[dict[str, str], str, str]:
        names = [str(each.get("name")) for each in targets]

        def name_fault(given: str) -> str | None:
            return "is on the list already; give another name" if given in names else None

        name = self._asker.text("Who?", None, name_fault, example="Anna") or ""
        address = self._asker.text(
            "The address, as the library Apprise writes it",
            None,
            lambda given: None if "://" in given else "is not an address like ntfys://host/topic",
            example="ntfys://ntfy.example/lens-night",
        )
        file = f"notify-{re.sub(r'[^a-z0-9]+', '-', name.lower()).strip('-') or len(targets) + 1}"
        while file in self.answers.secrets or any(each.get("url_file") == file for each in targets):
            file += "-2"
        target = {"name": name, "url_file": file}
        if targets and self._asker.yes(f"Send {name} only what nobody has acknowledged for 15 min?", True):
            target["after"] = "15 min"
        return target, file, address or ""

    def page(self, host: str) -> None:
        self._heading("The page")
        file = get(self.answers.draft, ("page", "password_file"))
        is_open = file is not None
        if not self._asker.yes("Show the page to phones on this network?", is_open):
            if is_open:
                for key in ("host", "password_file", "names", "tls"):
                    self._put(("page", key), None)
                if not get(self.answers.draft, ("page",)):
                    self._put(("page",), None)
            return
        if is_open and not self._asker.yes("A new password?", False):
            return
        if not is_open:
            file = "page-password"
            self._put(("page", "host"), "0.0.0.0")
            self._put(("page", "password_file"), file)
            self._put(("page", "names"), [f"{host}.local"])
        bounds = f"{LEAST_PASSWORD} to {LONGEST_PASSWORD} characters"
        password = self._asker.secret(
            f"Its password, {bounds}",
            lambda given: None if LEAST_PASSWORD <= len(given) <= LONGEST_PASSWORD else f"give {bounds}",
        )
        self.answers.secrets[str(file)] = hashed(password)

    def broker(self) -> None:
        self._heading("MQTT")
        known = get(self.answers.draft, ("mqtt",))
        if not self._asker.yes("Publish to an MQTT broker?", known is not None):
            self._put(("mqtt",), None)
            return
        self._text(("mqtt", "host"), "Its name or address", example="broker.local")
        port = get(self.answers.draft, ("mqtt", "port"))
        if port is not None:
            self._text(("mqtt", "port"), "Its port")
        user = self._text(("mqtt", "username"), "Sign in as", example="potvigil", optional=True)
        if user is None:
            self._put(("mqtt", "password_file"), None)
        elif get(self.answers.draft, ("mqtt", "password_file")) is None or self._asker.yes(
            "A new password for the broker?", False
        ):
            password = self._asker.secret(
                "The broker's password", lambda given: None if given else "give one"
            )
            file = get(self.answers.draft, ("mqtt", "password_file")) or "mqtt-password"
            self._put(("mqtt", "password_file"), file)
            self.answers.secrets[str(file)] = password

    def _text(
        self,
        path: Path,
        question: str,
        usual: str | None = None,
        *,
        example: str = "",
        optional: bool = False,
    ) -> str | None:
        """Ask for one key, checked by the settings' own rules; the existing value is the default."""
        known = get(self.answers.draft, path)
        answer = self._asker.text(
            question,
            str(known) if known is not None else usual or None,
            lambda given: fault_of(put(self.answers.draft, path, given), path),
            example=example,
            optional=optional,
        )
        self._put(path, answer)
        return answer

    def _put(self, path: Path, value: Any) -> None:
        self.answers.draft = put(self.answers.draft, path, value)

    def _heading(self, text: str) -> None:
        self._asker.say()
        self._asker.say(text, "bold")


def _in_short(known: Any) -> str:
    return inline(known)
