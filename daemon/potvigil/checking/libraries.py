"""Whether the libraries that the settings need are installed."""

from collections.abc import Callable, Iterator
from importlib.util import find_spec

from potvigil.checking.finding import Finding, fault, good
from potvigil.extras import how_to_install
from potvigil.settings.schema import Settings
from potvigil.settings.studio import StudioPageSettings

# Which module of each extra is looked for, and its purpose.
_LOOKED_FOR = {
    "page": (("starlette", "uvicorn", "jinja2", "cryptography", "segno", "prometheus_client"), "the page"),
    "notify": (("apprise",), "notifying phones"),
    "signals": (("gpiozero", "lgpio"), "lamp, buzzer and button"),
    "studio": (("sqlalchemy", "alembic", "psycopg"), "the studio's database"),
    "spi": (("gpiozero", "lgpio"), "converters and thermometers on SPI"),
}


def extras_of(settings: Settings | StudioPageSettings) -> tuple[str, ...]:
    """Return the extras that the settings need; the page's too where it is only named."""
    if isinstance(settings, StudioPageSettings):
        return ("page", "studio")
    wires = [pot.transducer.device.startswith("mcp") for pot in settings.pots.values()]
    probes = [probe.is_platinum for pot in settings.pots.values() for probe in pot.thermometer]
    wanted = {
        "page": "page" in settings.model_fields_set,
        "notify": settings.notify is not None,
        "signals": settings.signals is not None,
        "studio": settings.studio is not None,
        "spi": any(wires) or any(probes),
    }
    return tuple(extra for extra, is_wanted in wanted.items() if is_wanted)


def on_libraries(
    settings: Settings | StudioPageSettings,
    is_there: Callable[[str], bool] = lambda name: find_spec(name) is not None,
) -> Iterator[Finding]:
    wanted = extras_of(settings)
    for extra in wanted:
        names, what_for = _LOOKED_FOR[extra]
        if missing := [name for name in names if not is_there(name)]:
            yield fault(
                "library",
                f"missing for {what_for}: {', '.join(missing)}; install with {how_to_install(extra)}",
            )
    if all(is_there(name) for extra in wanted for name in _LOOKED_FOR[extra][0]):
        yield good("library", "all that these settings need")
