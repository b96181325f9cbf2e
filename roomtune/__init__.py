"""roomtune: measure, tune and verify an active home-cinema loudspeaker system."""
