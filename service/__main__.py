"""Starts the command line: ``python -m service`` and the console script ``layerbook``."""

from service.commands.main import main

if __name__ == "__main__":
    main()
