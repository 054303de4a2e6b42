"""`python -m riskmodel`: the command line."""

from .cli import main

main()
