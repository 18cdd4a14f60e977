"""Who sent a request to a watch: the way it came in, or the name somebody gave."""

import re

# Requests that come by one of these carry no name.
PAGE, BUTTON, COMMAND_LINE, MQTT = "page", "button", "command line", "mqtt"
LONGEST_NAME = 64
_NAME = re.compile(r"[^\W_](?:[\w .@+-]*[\w.])?")


def check_name(name: str) -> None:
    """Raise ValueError unless `name` can name a person, as distinct from these ways in."""
    if len(name) > LONGEST_NAME or not _NAME.fullmatch(name):
        raise ValueError(
            f"{name[:40]!r} is not a name; give at most {LONGEST_NAME} letters, digits, spaces and ._@+-, "
            "a letter or digit first"
        )
    if name in (PAGE, BUTTON, COMMAND_LINE, MQTT):
        raise ValueError(f"{name!r} is a name the watch uses itself; give another")
