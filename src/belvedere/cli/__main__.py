"""`python -m belvedere.cli` is `belvedere`."""

from belvedere.cli.main import main

if __name__ == "__main__":
    main()
