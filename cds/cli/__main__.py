"""`python -m cds.cli`, for where the console command is not on the path."""

from cds.cli.main import main

if __name__ == "__main__":
    main()
