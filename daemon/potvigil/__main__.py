"""Entry point of the command `potvigil` and of `python -m potvigil`."""

import sys


def main() -> int:
    """Run the command line; Ctrl-C while it is still being loaded is no failure of the program."""
    try:
        from potvigil import cli
    except KeyboardInterrupt:
        sys.stderr.write("potvigil: interrupted\n")
        return 2
    return cli.main()


if __name__ == "__main__":
    raise SystemExit(main())
