"""A bench in software: true physics, an indicator, a technician and a wire, for the demo, recordings and tests."""
