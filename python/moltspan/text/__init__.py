"""The wording of tables, pages and the terminal."""
