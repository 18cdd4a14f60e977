"""One page of all records that a studio has."""

import argparse
import sys

from potvigil.commands.page import opened, pots_of, serve_site
from potvigil.commands.shared.common import UseError
from potvigil.commands.shared.status import DONE
from potvigil.extras import how_to_install
from potvigil.paths import usual_record
from potvigil.record.errors import AwayRecordError
from potvigil.settings.loading import load_studio_page

try:
    from potvigil.page.many.seeing import ManyConfig
    from potvigil.page.many.site import ManyPage
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
    reader = StudioReader(address_of(settings.studio).reading_engine())
    try:
        reader.check()
    except AwayRecordError as error:
        print(f"potvigil: {error}; retrying", file=sys.stderr)  # it may come up later than this machine
    listening, site = opened(settings.page, args.port)
    sessions = sessions_file(usual_record().with_name("studio-page"))
    serve_site(ManyPage(ManyConfig(reader, pots_of, sessions, **site)), listening, settings.page)
    return DONE
