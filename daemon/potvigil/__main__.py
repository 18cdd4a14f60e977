"""Entry point of the command `potvigil` and of `python -m potvigil`."""

from potvigil.cli import main

if __name__ == "__main__":
    raise SystemExit(main())
