"""The office: takes in many crews' jobs, checks them, keeps them, and says what changed."""
