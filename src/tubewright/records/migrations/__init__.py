"""Steps that bring older records up to date, run by Alembic."""
