"""What becomes of a voice between mouth and machine: rooms, microphones, cries, babble, other voices, whispering.

All of it on the GPU, a batch at a time. Numbers are chosen by ear and by common practice.
"""
import torch


class Clips:
    """Sounds end to end in one tensor."""

    def __init__(self, sounds, device):
        self.start, self.length, at = [], [], 0
        for x in sounds:
            self.start.append(at)
            self.length.append(len(x))
            at += len(x)
        self.flat = torch.cat([torch.as_tensor(x, dtype=torch.float16) for x in sounds]).to(device)
        self.device = device

    def seconds(self):
        return len(self.flat) / 16000

    def take(self, which, lead, speed, times):
        """Clips `which`, each from sample `lead` on in a row of `times`; returns them and where each ends."""
        d = self.device
        n = torch.tensor([self.length[k] for k in which], device=d)
        first = torch.tensor([self.start[k] for k in which], device=d)
        at = (torch.arange(times, device=d)[None] - lead[:, None]) * speed[:, None]
        inside = (at >= 0) & (at < (n - 1)[:, None])
        whole = torch.minimum(at.clamp(min=0).long(), (n - 2)[:, None])
        part = (at - whole).clamp(0, 1)
        a = self.flat[first[:, None] + whole].float()
        b = self.flat[first[:, None] + whole + 1].float()
        return torch.where(inside, a + (b - a) * part, torch.zeros_like(a)), lead + (n / speed).long()

    def anywhere(self, rows, times):
        """Stretches from anywhere."""
        first = torch.randint(0, len(self.flat) - times - 1, (rows,), device=self.device)
        return self.flat[first[:, None] + torch.arange(times, device=self.device)[None]].float()


def coloured(rows, times, slope, device):
    """Noise whose power falls with pitch; slope 0 is white, 1 pink."""
    w = torch.fft.rfft(torch.randn(rows, times, device=device))
    f = torch.arange(w.shape[1], device=device).float()
    f[0] = 1
    return torch.fft.irfft(w / f ** (slope / 2), times)


def mixed(x, ends, noise, decibels):
    """Noise under speech; decibels of the speech (where it speaks) over the noise."""
    own = (torch.arange(x.shape[1], device=x.device)[None] < ends[:, None]).float()
    power = x**2
    speaks = (power > power.amax(1, keepdim=True) * 1e-3).float()
    loud = (power * speaks).sum(1) / (speaks.sum(1) + 1)
    noise_power = ((noise**2) * own).sum(1) / own.sum(1)
    gain = (loud / (noise_power + 1e-12) / 10 ** (decibels / 10)).sqrt()
    return x + own * noise * gain[:, None]


def levelled(x, to):
    return x / (x.abs().amax(1, keepdim=True) + 1e-6) * to


def whispered(x):
    """The same mouth without a voice: the envelope of each moment's spectrum over noise."""
    window = torch.hann_window(512, device=x.device)
    s = torch.stft(x, 512, 128, window=window, return_complex=True)
    log = (s.abs() + 1e-5).log()
    cepstrum = torch.fft.irfft(log, dim=1)
    cepstrum[:, 28:-27] = 0
    envelope = torch.fft.rfft(cepstrum, dim=1).real.exp()
    f = torch.linspace(0.05, 1, envelope.shape[1], device=x.device)[None, :, None]
    hiss = torch.stft(torch.randn_like(x), 512, 128, window=window, return_complex=True)
    return torch.istft(envelope * hiss * f**0.5, 512, 128, window=window, length=x.shape[1])


class Room:
    """Augments a batch."""

    def __init__(self, voices, cries, generator=None):
        self.voices, self.cries = voices, cries

    def __call__(self, x, ends):
        rows, times = x.shape
        d = x.device
        r = lambda *s: torch.rand(*s, device=d)
        pick = lambda share: r(rows) < share
        # Whispering and shouting.
        w = pick(0.04)
        if w.any():
            x = torch.where(w[:, None], whispered(x), x)
        w = pick(0.08)
        if w.any():
            hard = torch.tanh(levelled(x, 1.0) * (r(rows, 1) * 5 + 1.5))
            x = torch.where(w[:, None], hard, x)
        # The room; a few stand far from the microphone.
        w, far = pick(0.40), pick(0.3)[:, None]
        if w.any():
            t = torch.arange(9600, device=d) / 16000
            decay = r(rows, 1) * 0.45 + 0.08
            h = torch.randn(rows, 9600, device=d) * torch.exp(-6.9 * t / decay)
            h = h * torch.where(far, r(rows, 1) * 0.5 + 0.25, r(rows, 1) * 0.22 + 0.03)
            h[:, 0] = 1
            whole = times + 9600
            y = torch.fft.irfft(torch.fft.rfft(x, whole) * torch.fft.rfft(h, whole), whole)[:, :times]
            x = torch.where(w[:, None], y, x)
        # The microphone: a slope and a limit of band.
        spectrum = torch.fft.rfft(x)
        f = torch.linspace(0.01, 1, spectrum.shape[1], device=d)[None]
        limit = torch.where(r(rows, 1) < 0.2, r(rows, 1) * 0.4 + 0.45, torch.ones(rows, 1, device=d))
        x = torch.fft.irfft(spectrum * f ** ((r(rows, 1) - 0.5) * 1.3) * (f < limit), times)
        x = levelled(x, 0.7)
        # What else sounds.
        k, decibels = r(rows), r(rows) * 25 - 2
        cry = self.cries.anywhere(rows, times)
        babble = sum(self.voices.anywhere(rows, times) for _ in range(5))
        other = self.voices.anywhere(rows, times)
        pink = coloured(rows, times, 1, d)
        hum = coloured(rows, times, 2.2, d)
        quiet = torch.randn(rows, times, device=d)
        kinds = [(0.48, cry, 0), (0.60, pink, 0), (0.68, babble, 3), (0.76, other, 8), (0.81, hum, -6), (1.1, quiet, 26)]
        noise, more = torch.zeros_like(x), torch.zeros_like(decibels)
        before = 0.0
        for upto, sound, louder in kinds:
            here = (k >= before) & (k < upto)
            noise = torch.where(here[:, None], sound, noise)
            more = torch.where(here, torch.full_like(more, float(louder)), more)
            before = upto
        x = mixed(x, ends, noise, decibels + more)
        # Now and then a cry and something else at once.
        w = pick(0.06)
        if w.any():
            x = torch.where(w[:, None], mixed(x, ends, cry, decibels.clamp(min=8)), x)
        return levelled(x, r(rows, 1) * 0.85 + 0.05)
