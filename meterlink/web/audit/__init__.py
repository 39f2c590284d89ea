"""The auditor's page: a job on a timeline, its proof, and what another procedure would have said. It changes nothing."""
