"""`python -m daq.uncertainty`: the budget of one operating point."""

from daq.uncertainty.command import main

raise SystemExit(main())
