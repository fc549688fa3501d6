"""Letters and messages in the FHIR facade."""
