"""`python -m benchd`: the same as the `benchd` command."""

from benchd.cli.main import main

if __name__ == "__main__":
    main()
