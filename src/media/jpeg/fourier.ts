// Cross-correlation of long sequences by the fast Fourier transform (radix 2, decimation in time; Cooley and Tukey, 1965).

const twiddles = new Map<number, { cos: Float64Array; sin: Float64Array }>();

function twiddlesOf(size: number): { cos: Float64Array; sin: Float64Array } {
  let known = twiddles.get(size);
  if (!known) {
    const half = size >> 1;
    known = { cos: new Float64Array(half), sin: new Float64Array(half) };
    for (let i = 0; i < half; i++) {
      known.cos[i] = Math.cos((2 * Math.PI * i) / size);
      known.sin[i] = Math.sin((-2 * Math.PI * i) / size);
    }
    // Large ones are asked for a few times in one picture, and not kept behind it.
    if (size <= 1 << 17) twiddles.set(size, known);
  }
  return known;
}

/** Transforms in place; the sizes are equal powers of two. */
export function transform(re: Float64Array, im: Float64Array): void {
  const size = re.length;
  for (let i = 1, j = 0; i < size; i++) {
    let bit = size >> 1;
    for (; j & bit; bit >>= 1) j ^= bit;
    j ^= bit;
    if (i >= j) continue;
    const x = re[i]!;
    const y = im[i]!;
    re[i] = re[j]!;
    im[i] = im[j]!;
    re[j] = x;
    im[j] = y;
  }
  const { cos, sin } = twiddlesOf(size);
  for (let half = 1; half < size; half <<= 1) {
    const step = size / (2 * half);
    for (let from = 0; from < size; from += 2 * half) {
      for (let i = from, t = 0; i < from + half; i++, t += step) {
        const c = cos[t]!;
        const s = sin[t]!;
        const k = i + half;
        const x = re[k]! * c - im[k]! * s;
        const y = re[k]! * s + im[k]! * c;
        re[k] = re[i]! - x;
        im[k] = im[i]! - y;
        re[i]! += x;
        im[i]! += y;
      }
    }
  }
}

export type Spectrum = { readonly re: Float64Array; readonly im: Float64Array };

export function spectrumOf(values: ArrayLike<number>, size: number): Spectrum {
  const re = new Float64Array(size);
  for (let i = 0; i < values.length; i++) re[i] = values[i]!;
  const im = new Float64Array(size);
  transform(re, im);
  return { re, im };
}

/**
 * Sum of a[i + lag] * b[i] over i, for every lag; a negative lag stands at `size` + lag.
 *
 * @param a of a sequence no longer than the size less that of `b`
 */
export function correlate(a: Spectrum, b: Spectrum): Float64Array {
  const size = a.re.length;
  const re = new Float64Array(size);
  const im = new Float64Array(size);
  // The conjugate of the product, so that transforming forth is transforming back.
  for (let i = 0; i < size; i++) {
    re[i] = (a.re[i]! * b.re[i]! + a.im[i]! * b.im[i]!) / size;
    im[i] = -(a.im[i]! * b.re[i]! - a.re[i]! * b.im[i]!) / size;
  }
  transform(re, im);
  return re;
}
