"""Set-up, checks and the demo: standard library only, run before anything is installed."""
