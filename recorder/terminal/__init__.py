"""The live screen: draws snapshots and passes on what people ask; the only package that knows Textual."""
