"""Patients of the FHIR facade, and how every part names and finds whose a thing is."""
