"""The daily seal: which tables it covers, how rows are digested, the chain, and its verification."""
