// What can be said of a frame, and what the two reference models need to know of losses in which whole frames may hide.
import type { AccessUnit } from './access-units.js';

/**
 * `exact`: all its bytes arrived, and so did all of every frame it can refer to. `damaged`: bytes of its own are missing.
 * `tainted`: its bytes arrived, but a frame it can refer to is not exact. `missing`: nothing of it arrived.
 */
export type FrameClass = 'exact' | 'damaged' | 'tainted' | 'missing';

/** One access unit, classed. */
export type Picture = {
  readonly class: FrameClass;
  /** Counts the stretches between pictures that end all references (IDR and the like). */
  readonly sequence: number;
  /** Picture order count, or `null` where the slice header did not arrive. */
  readonly poc: number | null;
  /** Exact, and no frame since the last entry point that others refer to is lost: it decodes without complaint. */
  readonly clean: boolean;
  /** It ends all references: decoders count pictures from here anew. */
  readonly entry: boolean;
  /** Decoders put it out. */
  readonly shown: boolean;
};

/** An access unit whose slice header did not arrive. */
export function hiddenPicture({ arrived }: { readonly arrived: boolean }, sequence: number): Picture {
  return { class: arrived ? 'damaged' : 'missing', sequence, poc: null, clean: false, entry: false, shown: true };
}

/** Bytes of access units in this stream, to judge what a hole can hold: of any, of those others refer to, of entry points. */
export type StreamSizes = {
  readonly smallest: number;
  readonly smallestReference: number;
  readonly smallestEntry: number;
  readonly averageReference: number;
};

/** @param isEntry whether the access unit ends all references. @param isReference whether others can refer to it */
export function streamSizes<Slice>(
  units: readonly AccessUnit<Slice>[],
  isEntry: (unit: AccessUnit<Slice>) => boolean,
  isReference: (unit: AccessUnit<Slice>) => boolean,
): StreamSizes {
  const whole = units.filter((unit) => unit.whole);
  const references = whole.filter(isReference);
  // Where none is known, anything may be hidden in a hole. Half of the smallest seen is common sense, not a rule.
  const smallestOf = (some: readonly AccessUnit<Slice>[]): number =>
    some.reduce(
      (least, { bytes }) => Math.min(least, Math.max(4, bytes / 2)),
      some.length === 0 ? 4 : Number.MAX_VALUE,
    );
  return {
    smallest: smallestOf(whole),
    smallestReference: smallestOf(references),
    smallestEntry: smallestOf(whole.filter(isEntry)),
    averageReference: references.reduce((sum, { bytes }) => sum + bytes, 4) / Math.max(1, references.length),
  };
}

/** Collects what was lost between two pictures whose slice headers arrived. */
export class Loss {
  /** At most so many access units. */
  units = 0;
  #bytes = 0;
  #entry = false;
  #entryKnownAway = true;
  readonly #sizes: StreamSizes;

  constructor(sizes: StreamSizes) {
    this.#sizes = sizes;
  }

  /** @param lost an access unit without a slice header that can be read */
  addUnit(lost: AccessUnit<unknown>): void {
    this.addHidden(lost.hiddenBefore);
    this.units++;
    this.#bytes += lost.bytes;
    if (lost.times?.sync !== false) this.#entryKnownAway = false;
    if (lost.parameters || lost.times?.sync === true) this.#entry = true;
  }

  addHidden(bytes: number): void {
    if (bytes === 0) return;
    this.units += Math.ceil(bytes / this.#sizes.smallest);
    this.#bytes += bytes;
    this.#entryKnownAway = false;
  }

  /** At most so many access units that others refer to. */
  get references(): number {
    return Math.min(this.units, Math.ceil(this.#bytes / this.#sizes.smallestReference));
  }

  /** How far what was lost is from so many access units that others refer to, one an entry point or none; bytes. */
  distance(entry: boolean, references: number): number {
    const { smallestEntry, averageReference } = this.#sizes;
    return Math.abs(this.#bytes - (entry ? 2 * smallestEntry : 0) - references * averageReference);
  }

  /**
   * Whether a picture that ends all references can be among what was lost, with so many behind it that others refer to.
   */
  canHideEntry(behind: number): boolean {
    if (this.units <= behind || (this.#entryKnownAway && !this.#entry)) return false;
    const { smallestEntry, smallestReference } = this.#sizes;
    return this.#bytes >= (this.#entry ? 0 : smallestEntry) + behind * smallestReference;
  }
}
