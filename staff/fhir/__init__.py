"""What every resource of the FHIR R4 facade shares: parts, searches, bundles, refusals and the views."""
