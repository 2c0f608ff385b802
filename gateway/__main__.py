"""Run the gateway's command with `python -m cleanside.gateway`."""

from cleanside.gateway.cli import main

if __name__ == "__main__":
    raise SystemExit(main())
