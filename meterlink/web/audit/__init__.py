"""The auditor's page: jobs on a timeline, their proof, and what another procedure would have said. Read only."""
