"""`python -m forcekit`."""

from forcekit.cli import main

if __name__ == "__main__":
    main()
