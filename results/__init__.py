"""Results: samples, runs, controls, readings, cutoffs, results, referrals and examinations."""
