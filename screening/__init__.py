"""Screening: people, register, protocol, eligibility, rounds, kits, deliveries and returns."""
