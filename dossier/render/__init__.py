"""From findings to pages: `view` (numbers to words and strings), `figures` (view to plotly), `page` (view to HTML)."""
