"""One page of all records in a studio."""

import argparse
import sys
import tempfile
from pathlib import Path

from potvigil.commands.page import opened, pots_of, serve_site
from potvigil.commands.shared.common import UseError
from potvigil.commands.shared.status import DONE
from potvigil.extras import how_to_install
from potvigil.model.who import check_name
from potvigil.paths import usual_record
from potvigil.record.errors import AwayRecordError
from potvigil.service.wiring import mqtt_link
from potvigil.settings.loading import load_studio_page
from potvigil.settings.network import MqttSettings

try:
    from potvigil.page.many.broker.listener import Listener
    from potvigil.page.many.site import ManyPage
    from potvigil.page.many.studio_ground import ManyConfig
    from potvigil.page.sessions import sessions_file
    from potvigil.studio.address import address_of
    from potvigil.studio.reading import StudioReader
except ImportError as error:
    raise UseError(
        f"a studio's page needs {error.name}: {how_to_install('page')}, then {how_to_install('studio')}"
    ) from None


def studio_page(args: argparse.Namespace) -> int:
    """Serve the page of all records."""
    settings = load_studio_page(args.config)
    listener = None if settings.mqtt is None else _listener(settings.mqtt, settings.studio.username)
    reader = StudioReader(address_of(settings.studio).reading_engine())
    try:
        reader.check()
    except AwayRecordError as error:
        # the database may start later than this machine
        print(f"potvigil: {error}; retrying", file=sys.stderr)
    listening, site = opened(settings.page, args.port)
    sessions = sessions_file(usual_record().with_name("studio-page"))
    with tempfile.TemporaryDirectory(prefix="potvigil-studio-page-") as folder:
        config = ManyConfig(
            reader,
            pots_of,
            args.config,
            Path(folder),
            sessions,
            listener=listener,
            by=settings.studio.username,
            **site,
        )
        serve_site(ManyPage(config), listening, settings.page)
    return DONE


def _listener(settings: MqttSettings, username: str) -> Listener:
    """Return the listener to the watches. username: the page's at the database, named in acknowledgements."""
    try:
        check_name(username)
    except ValueError as error:
        raise UseError(f"studio.username: {error}") from error
    return Listener(mqtt_link(settings), username)
