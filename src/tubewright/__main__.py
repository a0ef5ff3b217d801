"""``python -m tubewright``: the same as the command ``tubewright``."""

from __future__ import annotations

from tubewright.cli import main

if __name__ == "__main__":
    main()
