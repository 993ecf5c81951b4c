"""Prints the names of all packages that `pip install 'benchmon[all]'` brings, as they are installed here."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, requires

from packaging.requirements import Requirement


def main() -> None:
    """Follow the requirements, their extras and their conditions."""
    waiting, seen = [("benchmon", "all")], set()
    while waiting:
        name, extra = waiting.pop()
        if (name, extra) in seen:
            continue
        seen.add((name, extra))
        try:
            needed = [Requirement(text) for text in requires(name) or ()]
        except PackageNotFoundError:
            continue
        for one in needed:
            if one.marker is None or one.marker.evaluate({"extra": extra}):
                waiting += [(one.name.lower().replace("_", "-"), each) for each in ("", *one.extras)]
    print("\n".join(sorted({name for name, _ in seen} - {"benchmon"})))


if __name__ == "__main__":
    main()
