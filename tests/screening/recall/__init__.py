"""Call and recall: everyone in exactly one place, nobody invited by mistake."""
