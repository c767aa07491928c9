"""What is told of the house and published of pipes: the vocabulary of facts, tables, water, flow, metals."""
