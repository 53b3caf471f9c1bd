"""What a job's journal can say: one class for each kind of entry."""
