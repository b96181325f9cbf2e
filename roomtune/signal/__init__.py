"""Values and maths that know nothing of loudspeakers."""
