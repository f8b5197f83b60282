"""Field sheets: one page per structure, one module per part of the page."""
