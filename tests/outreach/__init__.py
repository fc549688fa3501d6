"""Tests of outreach."""
