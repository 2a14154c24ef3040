"""`python -m runner.cli` is `takewright`."""

from runner.cli.main import main

main()
