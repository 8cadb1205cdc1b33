"""``python -m nebulakit``: the command line."""

from nebulakit.cli import main

if __name__ == "__main__":
    main()
