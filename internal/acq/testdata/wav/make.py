# Writes the WAV files beside it with libraries that are not ours: scipy.io.wavfile
# (16, 32 bit, float) and Python's wave (8, 24 bit). Two channels of 101 instants,
# an odd number, at 8000 Hz: channel 0 is 0.5 sin(2 pi i/20), channel 1 is i/128 - 0.4.
import math, wave
import numpy as np
from scipy.io import wavfile
n = 101
i = np.arange(n)
x = np.stack([0.5 * np.sin(2 * math.pi * i / 20), i / 128 - 0.4], axis=1)
wavfile.write("s16.wav", 8000, np.round(x * 32767).astype(np.int16))
wavfile.write("s32.wav", 8000, np.round(x * (2**31 - 1)).astype(np.int32))
wavfile.write("f32.wav", 8000, x.astype(np.float32))
wavfile.write("f64.wav", 8000, x.astype(np.float64))
wavfile.write("mono_f32.wav", 8000, x[:, 0].astype(np.float32))
for bits, name in ((8, "u8.wav"), (24, "s24.wav"), (24, "mono_s24.wav")):
    y = x[:, :1] if name.startswith("mono") else x
    with wave.open(name, "wb") as w:
        w.setnchannels(y.shape[1]); w.setsampwidth(bits // 8); w.setframerate(8000)
        v = np.round(y * (2**(bits - 1) - 1)).astype(np.int32).ravel()
        if bits == 8:
            w.writeframes((v + 128).astype(np.uint8).tobytes())
        else:
            w.writeframes(b"".join(int(k).to_bytes(3, "little", signed=True) for k in v))
