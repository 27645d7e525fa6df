"""From the outline to the parts of a mold: template, layers, spreaders, forms. Body frame, mm, until laid out."""
