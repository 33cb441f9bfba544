"""The command line: one command a module, thin; `main` puts them together."""
