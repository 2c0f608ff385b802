"""Run the gateway's command with `python -m gateway`."""

from gateway.cli import main

if __name__ == "__main__":
    raise SystemExit(main())
