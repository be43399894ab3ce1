"""`python -m fleet` is the command `fleet`."""

from fleet.cli import main

if __name__ == "__main__":
    main()
