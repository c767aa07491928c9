"""What people keep of one failure: photographs, facts, readings, corrections, log, and the sealed bundle that leaves the house."""
