// Cross-correlation of long sequences by the fast Fourier transform (decimation in time, two levels at once; Cooley and Tukey,
// 1965). Two real sequences are transformed as the real and the imaginary part of one.

/** Of the largest transform so far; smaller ones take every n-th. */
let cosines: Float64Array = new Float64Array(1);
let sines: Float64Array = new Float64Array(1);

function prepareTwiddles(size: number): void {
  if (2 * cosines.length >= size) return;
  const half = size >> 1;
  cosines = Float64Array.from({ length: half }, (_, i) => Math.cos((2 * Math.PI * i) / size));
  sines = Float64Array.from({ length: half }, (_, i) => Math.sin((-2 * Math.PI * i) / size));
}

/** Transforms in place; the sizes are equal powers of two. */
export function transform(re: Float64Array, im: Float64Array): void {
  const size = re.length;
  reverseBits(re, im);
  prepareTwiddles(size);
  const cos = cosines;
  const sin = sines;
  let half = 1;
  // The number of levels may be odd.
  if (Math.log2(size) & 1) {
    for (let i = 0; i < size; i += 2) {
      const x = re[i + 1]!;
      const y = im[i + 1]!;
      re[i + 1] = re[i]! - x;
      im[i + 1] = im[i]! - y;
      re[i]! += x;
      im[i]! += y;
    }
    half = 2;
  }
  for (; half < size; half *= 4) {
    const step = cos.length / (2 * half);
    for (let from = 0; from < size; from += 4 * half) {
      for (let a = from, t = 0; a < from + half; a++, t += step) {
        const b = a + half;
        const c = a + 2 * half;
        const d = a + 3 * half;
        const c1 = cos[2 * t]!;
        const s1 = sin[2 * t]!;
        const c2 = cos[t]!;
        const s2 = sin[t]!;
        const bx = re[b]! * c1 - im[b]! * s1;
        const by = re[b]! * s1 + im[b]! * c1;
        const dx = re[d]! * c1 - im[d]! * s1;
        const dy = re[d]! * s1 + im[d]! * c1;
        const ex = re[c]! + dx;
        const ey = im[c]! + dy;
        const fx = re[c]! - dx;
        const fy = im[c]! - dy;
        const gx = ex * c2 - ey * s2;
        const gy = ex * s2 + ey * c2;
        // A quarter turn behind.
        const hx = fx * s2 + fy * c2;
        const hy = fy * s2 - fx * c2;
        const px = re[a]! + bx;
        const py = im[a]! + by;
        const qx = re[a]! - bx;
        const qy = im[a]! - by;
        re[a] = px + gx;
        im[a] = py + gy;
        re[c] = px - gx;
        im[c] = py - gy;
        re[b] = qx + hx;
        im[b] = qy + hy;
        re[d] = qx - hx;
        im[d] = qy - hy;
      }
    }
  }
}

function reverseBits(re: Float64Array, im: Float64Array): void {
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
}

export type Spectrum = { readonly re: Float64Array; readonly im: Float64Array };

/** Room for the spectrum of a sequence of this size. */
export function makeSpectrum(size: number): Spectrum {
  return { re: new Float64Array(size), im: new Float64Array(size) };
}

/**
 * @param second goes along as the imaginary part; default none
 * @param into is overwritten and returned; default room of its own
 */
export function spectrumOf(
  first: ArrayLike<number>,
  size: number,
  second: ArrayLike<number> = [],
  into: Spectrum = makeSpectrum(size),
): Spectrum {
  const { re, im } = into;
  for (let i = 0; i < first.length; i++) re[i] = first[i]!;
  for (let i = 0; i < second.length; i++) im[i] = second[i]!;
  re.fill(0, first.length);
  im.fill(0, second.length);
  transform(re, im);
  return into;
}

/**
 * Sum of a[i + lag] * b[i] over i, for every lag, in the real part; a negative lag stands at `size` + lag. If `a` holds two
 * sequences, the imaginary part is that of the second, its sign turned.
 *
 * @param a of a sequence no longer than the size less that of `b`
 * @param b of one sequence
 * @param into is overwritten and returned; default room of its own
 */
export function correlate(a: Spectrum, b: Spectrum, into: Spectrum = makeSpectrum(a.re.length)): Spectrum {
  const size = a.re.length;
  const { re, im } = into;
  // The conjugate of the product, so that transforming forth is transforming back.
  for (let i = 0; i < size; i++) {
    re[i] = (a.re[i]! * b.re[i]! + a.im[i]! * b.im[i]!) / size;
    im[i] = -(a.im[i]! * b.re[i]! - a.re[i]! * b.im[i]!) / size;
  }
  transform(re, im);
  return into;
}

/**
 * As `correlate`, the first sequence of `a` with the first of `b` and the second with the second.
 *
 * @param into is overwritten and returned; default room of its own
 */
export function correlatePairs(a: Spectrum, b: Spectrum, into: Spectrum = makeSpectrum(a.re.length)): Spectrum {
  const size = a.re.length;
  const { re, im } = into;
  const scale = 1 / (4 * size);
  for (let k = 0; k <= size >> 1; k++) {
    const m = (size - k) & (size - 1);
    // Twice the spectra of the four sequences at k; those at m are their conjugates.
    const ax = a.re[k]! + a.re[m]!;
    const ay = a.im[k]! - a.im[m]!;
    const bx = a.im[k]! + a.im[m]!;
    const by = a.re[m]! - a.re[k]!;
    const cx = b.re[k]! + b.re[m]!;
    const cy = b.im[k]! - b.im[m]!;
    const dx = b.im[k]! + b.im[m]!;
    const dy = b.re[m]! - b.re[k]!;
    const x1 = (ax * cx + ay * cy) * scale;
    const y1 = (ay * cx - ax * cy) * scale;
    const x2 = (bx * dx + by * dy) * scale;
    const y2 = (by * dx - bx * dy) * scale;
    re[k] = x1 - y2;
    im[k] = -y1 - x2;
    re[m] = x1 + y2;
    im[m] = y1 - x2;
  }
  transform(re, im);
  return into;
}
