"""The page as a program, whose streams look for news ten times a second: a test waits for each piece of it."""

import sys

from potvigil.__main__ import main
from potvigil.page.views import data

data.STREAM_REST_S = 0.1

if __name__ == "__main__":
    sys.exit(main())
