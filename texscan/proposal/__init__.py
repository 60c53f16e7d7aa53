"""The proposal: from a scored survey to a document that an owner understands and a yard can sign."""
