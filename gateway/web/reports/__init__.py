"""Reports: what happened to the motors in a period, as data first (`content`), then as page (HTML), paper (PDF), table (CSV) and JSON.

Read in this order: period, records, coverage, breaches, figures, content; then words, pictures, and the four forms.
"""
