"""The conditions of a query: their words, their values with units, and the SQL that they become."""
