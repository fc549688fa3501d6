"""What of this part the FHIR facade gives: specimens, observations, reports, referrals, appointments, procedures."""
