"""Pages as a reader meets them: commands, tables, drawings, the page of mistakes."""
