"""Findings: what the sums of the workshop say of a show file, before anything is wired."""
