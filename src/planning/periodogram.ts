// How much of the ups and downs of unevenly spaced samples a sine of each frequency explains: the Lomb-Scargle periodogram with
// weights and a floating mean (M. Zechmeister, M. Kürster, Astronomy & Astrophysics 496, 2009, equations 4 to 14).

export type Samples = {
  readonly at: Float64Array;
  readonly value: Float64Array;
  /** Not negative; need not sum to 1. */
  readonly weight: Float64Array;
};

/** Sum of weights times squared distance from the weighted mean. */
export function weightedScatter({ value, weight }: Samples): number {
  let total = 0;
  let sum = 0;
  for (let i = 0; i < value.length; i++) {
    total += weight[i]!;
    sum += weight[i]! * value[i]!;
  }
  let scatter = 0;
  for (let i = 0; i < value.length; i++) scatter += weight[i]! * (value[i]! - sum / total) ** 2;
  return total === 0 ? 0 : scatter;
}

/**
 * @param frequencies in cycles per unit of `at`
 * @returns for each the share, 0 to 1, of the weighted scatter that the best sine of that frequency explains
 */
export function periodogram(samples: Samples, frequencies: Float64Array): Float64Array {
  return Float64Array.from(frequencies, (frequency) => powerAt(samples, frequency));
}

function powerAt({ at, value, weight }: Samples, frequency: number): number {
  let [w, y, c, s, yy, yc, ys, cc, cs] = [0, 0, 0, 0, 0, 0, 0, 0, 0];
  const omega = 2 * Math.PI * frequency;
  for (let i = 0; i < at.length; i++) {
    const weightI = weight[i]!;
    const v = value[i]!;
    const cosine = Math.cos(omega * at[i]!);
    const sine = Math.sin(omega * at[i]!);
    w += weightI;
    y += weightI * v;
    c += weightI * cosine;
    s += weightI * sine;
    yy += weightI * v * v;
    yc += weightI * v * cosine;
    ys += weightI * v * sine;
    cc += weightI * cosine * cosine;
    cs += weightI * cosine * sine;
  }
  if (w === 0) return 0;
  const ss = 1 - cc / w - (s / w) ** 2;
  const [YY, YC, YS] = [yy / w - (y / w) ** 2, yc / w - (y * c) / w ** 2, ys / w - (y * s) / w ** 2];
  const [CC, CS] = [cc / w - (c / w) ** 2, cs / w - (c * s) / w ** 2];
  const determinant = CC * ss - CS * CS;
  if (YY <= 0 || determinant <= 1e-12) return 0;
  return Math.min(1, Math.max(0, (ss * YC * YC + CC * YS * YS - 2 * CS * YC * YS) / (YY * determinant)));
}
