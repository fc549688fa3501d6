"""The FHIR R4 facade and outgoing messages."""
