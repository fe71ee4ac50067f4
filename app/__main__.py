"""`python -m app` is the `slubwise` command."""

from __future__ import annotations

from app.cli import main

if __name__ == "__main__":
    main()
