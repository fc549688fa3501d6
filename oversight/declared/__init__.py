"""The declarations of all indicators, one file a group; nothing else says what a figure is."""
