"""What every door for programs shares: tokens, refusals, repeated requests, pages, the schema and its page."""
