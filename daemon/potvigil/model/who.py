"""Who asked something of a watch: by which of its doors, or somebody who gave a name."""

import re

# Who comes by one of these is not known by name.
PAGE, BUTTON, COMMAND_LINE, MQTT = "page", "button", "command line", "mqtt"
LONGEST_NAME = 64
_NAME = re.compile(r"[^\W_](?:[\w .@+-]*[\w.])?")


def check_name(name: str) -> None:
    """Raise ValueError unless that can stand for who did something, beside what the doors are called."""
    if len(name) > LONGEST_NAME or not _NAME.fullmatch(name):
        raise ValueError(
            f"{name[:40]!r} is no name; give at most {LONGEST_NAME} letters, digits, spaces and ._@+-, "
            "a letter or digit first"
        )
    if name in (PAGE, BUTTON, COMMAND_LINE, MQTT):
        raise ValueError(f"{name!r} is what one of the watch's own doors is called; give another name")
