"""All sentences of the report, a module for each finding of judgement."""
