"""The front doors: embedded servers and the one-command set-up."""
