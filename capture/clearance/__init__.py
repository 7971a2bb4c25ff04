"""What strokes say of a pack's clearance, and which part changes it. Pure."""
