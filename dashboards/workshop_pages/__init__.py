"""The pages: title, filters, one call, picture, table, what to do next. No logic."""
