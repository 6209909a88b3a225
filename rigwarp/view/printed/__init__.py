"""Printed sheets on the table: found over the mirrors, a map fitted to them, and measured through a map."""
