"""The ledger machinery: pure machines, the moves that follow them, and the walls in the database."""
