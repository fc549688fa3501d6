"""The files analysers write, read into plain lines; pure, without database or clock."""
