"""Two programs that ask one converter take each other's answers."""

import json
import time

from potvigil.paths import usual_live
from potvigil.settings import Settings
from potvigil.verbs.common import UseError


def refuse_beside_a_watch(settings: Settings) -> None:
    """Raise UseError while a watch asks the wires of these settings."""
    try:
        live = json.loads((settings.page.live or usual_live()).read_text(encoding="utf-8"))
        age_s = time.clock_gettime(time.CLOCK_BOOTTIME) - live["written_boot_s"]
        runs = live["rehearsed"] is None and 0.0 <= age_s < 3.0 * live["sample_period_s"] + 2.0
    except (OSError, ValueError, KeyError, TypeError):
        return
    if runs:
        raise UseError("the watch is running and asks the same wires; stop it first: systemctl stop potvigil")
