"""`python -m sporecount.cli` is `sporecount`."""

from sporecount.cli.main import main

if __name__ == "__main__":
    main()
