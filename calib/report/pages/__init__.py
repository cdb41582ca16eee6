"""Pages of the report and of the other documents, made of blocks: what a person reads of each."""
