"""How a laboratory lays its reports out: profiles, files that a person keeps and edits."""
