"""The shape of the JSON documents: their format number, and a schema that they keep."""
