// What the picture as far as it is known says of AC coefficients yet to be placed: the lowest ones follow the slope of the DC values
// of the neighbours (as in T.81, K.8, where they are estimated from them), the higher ones are large where lower ones are.
import { correlatePairs, makeSpectrum, type Spectrum, spectrumOf } from './fourier.js';
import type { JpegScan } from './header.js';
import { blockOfScan } from './layout.js';
import type { Planes } from './progressive.js';

/** Blocks of a piece that are looked at. */
const mostBlocks = 16_384;
/** Longer pictures are looked through part by part: small transforms are faster and take less memory. */
const largestTransform = 1 << 17;
/** Agreements of neighbouring blocks are not independent of each other, those of sizes still less. */
const independentSlopes = 0.4;
const independentSizes = 0.2;

export class AcReference {
  /** Numbers by which a block is compared. */
  readonly perBlock: number;
  private readonly low: boolean;
  private readonly scan: JpegScan;
  private readonly expected: Float32Array;
  private readonly known: Float32Array;
  /** Sums of the squares of what is expected. */
  private readonly squares: Float64Array;
  /** Of what is expected and what is known together, by size: from every `step`-th place on. */
  private readonly spectra = new Map<number, Spectrum[]>();
  private room: Spectrum = makeSpectrum(1);

  /** @param bit of the scan in `applied`: what is known came in scans before it */
  constructor({ layout, store, applied }: Planes, scan: JpegScan, bit: number) {
    const c = scan.components[0]!;
    const { blocksAcross, blocksDown } = layout.parts[c]!;
    const total = blocksAcross * blocksDown;
    this.scan = scan;
    this.low = scan.spectralStart <= 2;
    this.perBlock = this.low ? 2 : 1;
    this.expected = new Float32Array(total * this.perBlock);
    this.known = new Float32Array(total * this.perBlock);
    const at = (x: number, y: number) => blockOfScan(layout, c, y * blocksAcross + x);
    const slope = (a: number, b: number, n: number) => {
      if (!(applied[a]! & applied[b]! & 1)) return;
      this.expected[n] = root(store[64 * a]! - store[64 * b]!);
      this.known[n] = 1;
    };
    for (let y = 0, n = 0; y < blocksDown; y++) {
      for (let x = 0; x < blocksAcross; x++) {
        if (this.low) {
          if (x > 0 && x < blocksAcross - 1) slope(at(x - 1, y), at(x + 1, y), n);
          if (y > 0 && y < blocksDown - 1) slope(at(x, y - 1), at(x, y + 1), n + 1);
          n += 2;
          continue;
        }
        const index = at(x, y);
        if ((applied[index]! & (bit - 1)) === bit - 1) {
          this.expected[n] = size(store, 64 * index + 1, 64 * index + scan.spectralStart);
          this.known[n] = 1;
        }
        n++;
      }
    }
    if (!this.low) centre(this.expected, this.known);
    this.squares = new Float64Array(this.expected.length + 1);
    for (const [n, value] of this.expected.entries()) this.squares[n + 1] = this.squares[n]! + value * value;
  }

  /** Adds the numbers of the block at `from` to `traits`. */
  addTraits(block: Int16Array, from: number, traits: number[]): void {
    if (this.low) traits.push(root(block[from + 1]!), root(block[from + 2]!));
    else traits.push(size(block, from + this.scan.spectralStart, from + this.scan.spectralEnd + 1));
  }

  /**
   * Log-likelihood that a piece begins at each block, against that its coefficients have nothing to do with what is known there.
   *
   * @param traits of the piece's blocks
   * @param first first and last place that it can have; 0 is given for those before
   */
  match(traits: Float32Array, first: number, last: number): Float32Array {
    const result = new Float32Array(Math.max(0, last) + 1);
    const { perBlock } = this;
    const values = traits.slice(0, mostBlocks * perBlock);
    if (!this.low) centre(values, null);
    const energies = values.map((value) => value * value);
    const energy = energies.reduce((sum, value) => sum + value, 0);
    const telling = this.low ? values.reduce((sum, value) => sum + (value === 0 ? 0 : 1), 0) : values.length;
    if (energy === 0) return result;
    const weight = -0.5 * telling * (this.low ? independentSlopes : independentSizes);
    const size = Math.min(largestTransform, 2 ** Math.ceil(Math.log2(this.expected.length + values.length)));
    const step = size < largestTransform ? size : size - mostBlocks * perBlock;
    const own = this.spectraOf(size, step);
    const piece = spectrumOf(values, size, energies);
    if (this.room.re.length !== size) this.room = makeSpectrum(size);
    let part = -1;
    for (let at = first; at <= last; at++) {
      const n = at * perBlock;
      if (Math.floor(n / step) !== part) {
        part = Math.floor(n / step);
        correlatePairs(own[part]!, piece, this.room);
      }
      const { re: agreement, im: overlap } = this.room;
      const there = this.squares[n + values.length]! - this.squares[n]!;
      const covered = -overlap[n - part * step]! / energy;
      if (covered < 0.01 || there === 0) continue;
      const correlation = Math.max(
        0,
        Math.min(0.999, agreement[n - part * step]! / Math.sqrt(there * energy * covered)),
      );
      result[at] = weight * covered * Math.log(1 - correlation * correlation);
    }
    return result;
  }

  private spectraOf(size: number, step: number): Spectrum[] {
    let own = this.spectra.get(size);
    if (!own) {
      own = [];
      for (let from = 0; from < this.expected.length; from += step)
        own.push(spectrumOf(this.expected.subarray(from, from + size), size, this.known.subarray(from, from + size)));
      this.spectra.set(size, own);
    }
    return own;
  }
}

function root(value: number): number {
  return value < 0 ? -Math.sqrt(-value) : Math.sqrt(value);
}

function size(store: Int16Array, from: number, to: number): number {
  let sum = 0;
  for (let k = from; k < to; k++) sum += Math.abs(store[k]!);
  return Math.log2(1 + sum);
}

/** Takes the mean of what is known off it. */
function centre(values: Float32Array, known: Float32Array | null): void {
  let [sum, count] = [0, 0];
  for (let n = 0; n < values.length; n++) {
    if (known && known[n] === 0) continue;
    sum += values[n]!;
    count++;
  }
  for (let n = 0; n < values.length; n++) if (known?.[n] !== 0) values[n]! -= sum / Math.max(1, count);
}
