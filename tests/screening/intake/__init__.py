"""Tests of the post: scans, undoing, set-asides and the bench page."""
