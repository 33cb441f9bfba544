"""What no subject owns, each thing once: database, trail, fields, numbers, rendering."""
