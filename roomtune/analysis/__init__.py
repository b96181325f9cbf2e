"""From an impulse response to what an acoustician reads from it.

Pure functions on ImpulseResponse and FrequencyResponse, vectorised over
leading axes (output, seat) unless they say otherwise:

- direct_sound, arrival, polarity (by driver_fit, onset): the first sound
- levels, averages, correctability: how loud, over the seats, what can be mended
- phase, time_frequency, quasi_anechoic: other views of a response
- decay (by decay_range), modes (by common_poles), rooms, reflections: the room
- sealed_box, driver_data, operating_band, distortion: the driver
- microphone, noise_criteria: the microphone's own response, background noise
- overview: all of it for one output, and for the room
"""
