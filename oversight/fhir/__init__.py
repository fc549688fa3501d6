"""What the whole FHIR facade says of itself: its CapabilityStatement, and the answer to an address that is none."""
