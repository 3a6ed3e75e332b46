// The search for the chain, from the recording inwards: at each level the probes look in turn, the surest first, and what is proven
// is looked into. Where nothing is proven the search stops there and says so.
import { isText } from '../intake/recognise.js';
import { HEADER_BYTES, KBCH_BYTES } from '../layers/baseband-header.js';
import { probeCadu } from './cadu-probe.js';
import { probeBareCfdp, probeCfdp } from './cfdp-probe.js';
import { probeDvbS2 } from './dvb-s2-probe.js';
import type { Finding, Found, Level, Probe } from './finding.js';
import { probeFrames } from './frame-guess.js';
import { probeBareGse, probeGse, probeGseHem } from './gse-probe.js';
import { probeUdp } from './ip-probe.js';
import { guessMarker } from './marker-guess.js';
import { probeBarePackets, probePackets } from './packet-probe.js';
import type { Tape } from './tape.js';
import { probeTransferFrames } from './transfer-frames.js';
import { probeBasebandTs, probeTs } from './ts-probe.js';

const INSIDE: readonly Probe[] = [probeCadu, probeTs, probeCfdp, probePackets, probeFrames];

const PROBES: Readonly<Record<Level, readonly Probe[]>> = {
  recording: [probeDvbS2, probeCadu, probeTs, probeBareCfdp, probeBarePackets, probeBareGse, probeFrames],
  continuous: [probeGse, ...INSIDE],
  hem: [probeGseHem],
  packetised: INSIDE,
  transport: [probeBasebandTs],
  ip: [probeUdp],
  'transfer frames': [probeTransferFrames],
  'packet zone': [probePackets, ...INSIDE],
  bytes: INSIDE,
  programme: [],
  innermost: [],
};

/** What carries so much of a level is taken without a look at the other ways to read it. */
const SURE = 0.5;
/** Layers that find their units by a marker, so that joined they read no less. */
const MARKED: ReadonlySet<string> = new Set(['cadu', 'frame']);
/** Layers that find their units across unit borders by themselves, so that `stream` before them changes nothing. */
const JOINS_ITSELF: ReadonlySet<string> = new Set(['ts', 'gse']);
/** Joined, so much more must be explained for units to be taken as crossing the borders. */
const CROSSING = 1.01;
/** From the recording to the file data there are fewer layers than this. */
const MAX_DEPTH = 12;

/** What was found, and in sentences what could not be told. */
export type SearchResult = { readonly found: readonly Found[]; readonly unknown: readonly string[] };

export function searchChain(tape: Tape): SearchResult {
  if (isText(tape.data)) return { found: [], unknown: ['the recording: no layer is proven; it reads as a text'] };
  const unknown: string[] = [];
  const found = searchLevel(tape, 'recording', [], unknown);
  return { found, unknown: [...new Set(unknown)] };
}

function searchLevel(tape: Tape, level: Level, path: readonly string[], unknown: string[]): Found[] {
  if (tape.data.length === 0 || path.length > MAX_DEPTH) return [];
  const findings = bestReading(tape, level);
  if (findings.length === 0) tellNothing(tape, path, unknown);
  return findings.flatMap(({ tape: inside, level: next, ...finding }): Found[] => {
    const name = label(finding);
    unknown.push(...(finding.unknown ?? []));
    const inner =
      inside && next !== 'innermost' && next !== 'programme' ? searchLevel(inside, next, [...path, name], unknown) : [];
    return [{ ...finding, inner }];
  });
}

const label = ({ layer, options }: Pick<Finding, 'layer' | 'options'>): string => {
  const told = ['isi', 'pid', 'port', 'vcid', 'apid'].find((key) => options[key] !== undefined);
  return told ? `${layer} (${told} ${String(options[told])})` : layer;
};

/** The best reading of the level, as units and, where there are units, joined. */
function bestReading(tape: Tape, level: Level): Finding[] {
  const asIs = firstReading(tape, PROBES[level]);
  const [first] = asIs;
  if (level === 'recording') return first?.layer === 'frame' ? throughStream(asIs, tape) : asIs;
  const isJoinable =
    tape.hasUnits && (level === 'continuous' || level === 'bytes') && (!first || !JOINS_ITSELF.has(first.layer));
  if (!isJoinable) return asIs;
  const isMarked = first !== undefined && MARKED.has(first.layer) && first.frame?.marker !== '';
  if (level === 'continuous' && isMarked && isFilledUp(tape)) return throughStream(asIs, tape);
  if (CROSSING * explained(asIs) >= tape.data.length) return asIs;
  const joined = firstReading(tape.joined(), [probeCadu, probeFrames]);
  return explained(joined) > CROSSING * explained(asIs) ? throughStream(joined, tape) : asIs;
}

/** Data fields that are full to the last byte are those of a stream, even where no frame happens to cross one. */
function isFilledUp(tape: Tape): boolean {
  const units = tape.units();
  const full = units.filter(({ start, end }) => KBCH_BYTES.includes(end - start + HEADER_BYTES));
  return full.length > 0.5 * units.length;
}

const explained = (findings: readonly Finding[]): number =>
  findings.reduce((sum, finding) => sum + finding.explained, 0);

function firstReading(tape: Tape, probes: readonly Probe[]): Finding[] {
  let best: Finding[] = [];
  for (const probe of probes) {
    const findings = probe(tape);
    if (explained(findings) > explained(best)) best = findings;
    if (explained(best) >= SURE * tape.data.length) break;
  }
  return best;
}

/** The layer `stream` alone: what was found joined is found again inside it. */
function throughStream(findings: readonly Finding[], tape: Tape): Finding[] {
  return [
    {
      layer: 'stream',
      options: {},
      proof: 'units go on across what carries them',
      counts: {},
      explained: explained(findings),
      level: 'bytes',
      tape: tape.joined(),
    },
  ];
}

function tellNothing(tape: Tape, path: readonly string[], unknown: string[]): void {
  const where = path.length === 0 ? 'the recording' : path.join(' > ');
  const marker = guessMarker(tape.data);
  const repeats = marker
    ? `; ${marker.marker} comes back every ${marker.distance} bytes in ${(marker.share * 100).toFixed(0)} % of its places, perhaps the marker of frames whose CRC is none of the catalogue's`
    : '';
  const what = path.length === 0 ? 'no layer is proven' : 'nothing inside is proven';
  unknown.push(`${where}: ${what} by ${tape.data.length} bytes looked at${repeats}`);
}
