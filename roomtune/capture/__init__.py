"""From a stimulus to a judged take, over any audio interface."""
