"""Staff: users, roles, sites, calendars, access, journal, clock and the ledger machinery."""
