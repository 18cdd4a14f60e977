"""Opens the notification targets of the settings."""

from potvigil.commands.shared.common import UseError
from potvigil.extras import how_to_install
from potvigil.notifying.targets import Target, heartbeat_urls, open_targets
from potvigil.settings.schema import Settings


def opened(settings: Settings) -> tuple[Target, ...]:
    """Return the targets. Raises UseError, or TargetError naming what cannot be used."""
    if settings.heartbeat is not None:
        heartbeat_urls(settings.heartbeat)
    if settings.notify is None:
        return ()
    try:
        return open_targets(settings.notify, settings.timezone)
    except ImportError as error:
        raise UseError(
            f"notify: needs {error.name} ({error}); install it with {how_to_install('notify')}"
        ) from error
