"""``python -m schemas.export [--check]``: write the exported contracts, or tell what is stale."""

import argparse
import sys

from schemas.export import stale_files, write


def main(arguments: list[str] | None = None) -> int:
    """Run the command; 0 where all is current then, 1 where ``--check`` finds a stale file."""
    parser = argparse.ArgumentParser(
        prog="python -m schemas.export",
        description="Write the contracts as JSON Schema and AsyncAPI beside the models.",
        epilog="example: python -m schemas.export --check",
    )
    parser.add_argument("--check", action="store_true", help="write nothing; exit 1 if stale")
    if parser.parse_args(arguments).check:
        stale = stale_files()
        for name in stale:
            sys.stderr.write(f"stale: schemas/export/{name}; run python -m schemas.export\n")
        return 1 if stale else 0
    for name in write():
        sys.stdout.write(f"schemas/export/{name}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
