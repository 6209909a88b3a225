"""What the fitted mirror means: heights, form, terms, defects, findings, the mould."""
