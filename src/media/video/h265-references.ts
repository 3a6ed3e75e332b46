// Which H.265 frames are exact: each slice header lists the pictures that may be referenced from there on (8.3.2), so a
// lost picture is noticed by name. Every picture that the current one may use counts as used.
import type { AccessUnit } from './access-units.js';
import { hiddenPicture, Loss, type Picture, streamSizes } from './frame-classes.js';
import { type H265Slice, isIdr, isIrap, isLeading, isRasl } from './h265-slice.js';

const craType = 21;
const isBla = (unitType: number): boolean => unitType >= 16 && unitType <= 18;

/** TRAIL_N, TSA_N and so on: no picture of the same sub-layer refers to them. */
const isSubLayerNonReference = (unitType: number): boolean => unitType <= 14 && unitType % 2 === 0;

/**
 * @param units in decoding order
 * @param varying parameter sets change within the stream
 * @returns one picture per access unit
 */
export function classifyH265(units: readonly AccessUnit<H265Slice>[], varying: boolean): Picture[] {
  const typeOf = ({ slices }: AccessUnit<H265Slice>) => slices[0]?.unitType ?? -1;
  const isEntry = (unit: AccessUnit<H265Slice>) => isIdr(typeOf(unit)) || isBla(typeOf(unit));
  // Streams with CRA pictures commonly restart their counts only at their beginning.
  const restartsOften = units.filter(isEntry).length > 1 || !units.some((unit) => typeOf(unit) === craType);
  const sizes = streamSizes(units, isEntry, () => true);
  const pictures: Picture[] = [];
  /** Whether exact, by POC: the pictures that can still be referenced. */
  let references = new Map<number, boolean>();
  let anchor = 0;
  let sequence = 0;
  let doubtful = false;
  let raslShown = true;
  let begun = false;
  let loss = new Loss(sizes);

  for (const unit of units) {
    const slice = unit.slices.find(({ own }) => own !== null);
    if (!slice?.own) {
      loss.addUnit(unit);
      pictures.push(hiddenPicture(unit, sequence));
      continue;
    }
    loss.addHidden(unit.hiddenBefore);
    if (varying) doubtful = unit.parameters ? false : doubtful || loss.units > 0;
    const { own, sps, unitType } = slice;
    const cycle = 2 ** sps.pocLsbBits;
    const restarts = isIdr(unitType) || isBla(unitType);
    if (restarts) {
      references.clear();
      if (begun) sequence++;
    } else if (loss.units > 0 && !isIrap(unitType)) {
      // If an entry point was lost, the pictures listed now can only be ones sent since: no more than were lost.
      const entryLost = loss.canHideEntry(Math.max(0, own.shortTerm.length - 1));
      if (entryLost || loss.units >= cycle / 2) references.clear();
      // For the time line what is likelier counts: picture order counts begin at 0 again, or go on.
      const on = (own.pocLsb - anchor + 2 * cycle - 1 + Math.ceil(Math.abs(anchor) / cycle) * cycle) % cycle;
      const likely = loss.distance(true, Math.max(0, own.pocLsb - 1)) < loss.distance(false, on);
      if (entryLost && begun && likely && restartsOften) {
        sequence++;
        anchor = 0;
      }
    }
    if (isIrap(unitType)) raslShown = !isBla(unitType) && (begun || loss.units > 0);
    loss = new Loss(sizes);

    let msb = 0;
    if (!restarts && begun) {
      const low = ((anchor % cycle) + cycle) % cycle;
      msb = anchor - low;
      if (own.pocLsb < low && low - own.pocLsb >= cycle / 2) msb += cycle;
      else if (own.pocLsb > low && own.pocLsb - low > cycle / 2) msb -= cycle;
    }
    begun = true;
    const poc = msb + own.pocLsb;

    const listed = listedPictures(slice, poc, references);
    const exactOf = (one: { poc: number | undefined }) => one.poc !== undefined && references.get(one.poc) === true;
    const sound = own.type === 'I' && unit.slices.every((other) => !other.own || other.own.type === 'I');
    const exact = unit.whole && !doubtful && (sound || listed.filter(({ used }) => used).every(exactOf));
    const clean = exact && listed.every(exactOf);
    const state = exact ? 'exact' : unit.whole ? 'tainted' : 'damaged';
    const shown = own.output && (raslShown || !isRasl(unitType));
    pictures.push({ class: state, sequence, poc, clean, entry: restarts, shown });

    // What is not listed can no longer be referenced.
    const kept = new Map<number, boolean>();
    for (const other of listed) {
      const known = other.poc === undefined ? undefined : references.get(other.poc);
      if (known !== undefined) kept.set(other.poc!, known);
    }
    references = kept.set(poc, exact && shown);
    if (slice.temporalId === 0 && !isLeading(unitType) && !isSubLayerNonReference(unitType)) anchor = poc;
  }
  return pictures;
}

/** The reference picture set; `poc` is `undefined` where a long-term entry fits no picture at hand, or several. */
function listedPictures(
  { own, sps }: H265Slice,
  poc: number,
  references: ReadonlyMap<number, boolean>,
): { poc: number | undefined; used: boolean }[] {
  const cycle = 2 ** sps.pocLsbBits;
  const shortTerm = own!.shortTerm.map(({ delta, used }) => ({ poc: poc + delta, used }));
  const longTerm = own!.longTerm.map(({ pocLsb, msb, used }) => {
    if (msb !== null) return { poc: poc - own!.pocLsb - msb * cycle + pocLsb, used };
    const fitting = [...references.keys()].filter((other) => ((other % cycle) + cycle) % cycle === pocLsb);
    return { poc: fitting.length === 1 ? fitting[0] : undefined, used };
  });
  return [...shortTerm, ...longTerm];
}
