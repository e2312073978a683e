"""The pictures: SVG made from records, all on the scales of one module. Pure. Text is escaped where it enters; the style sheet colours."""
