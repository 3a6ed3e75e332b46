// What a file delivery (CCSDS 727.0-B-5) sent under each transaction number, from all recordings together. Usually that is one file;
// after a reboot numbers begin again, and Metadata and EOF that contradict each other tell the files apart.
import type { Holdings } from '../ledger/holdings.js';
import type { Reception } from '../ledger/reception-file.js';
import type { Lane } from '../ledger/stored-file.js';
import type { Delivery, Run } from '../segments/run.js';
import type { Placements } from '../segments/transmission.js';

/** What is known of a file; `null` = not told. */
export type SentFacts = {
  readonly name: string | null;
  readonly bytes: number | null;
  readonly checksumType: number | null;
  readonly checksum: number | null;
};

/** One file under one transaction number. */
export type Sending = {
  /** The transaction's file number. */
  readonly file: number;
  facts: SentFacts;
  /** Why the sender cancelled it, if it did; else 0. */
  condition: number;
  /** The runs that brought its data. */
  readonly runs: Run[];
  /** Whether all that is kept under the number is of this file. */
  isAlone: boolean;
};

/** What one recording heard of a transaction without a break, and under what Metadata or EOF said of it. */
type Piece = {
  readonly file: number;
  readonly onboardRun: number;
  readonly delivery: Delivery | undefined;
  readonly runs: Run[];
};

const NOTHING: SentFacts = { name: null, bytes: null, checksumType: null, checksum: null };
const FACTS = Object.keys(NOTHING) as (keyof SentFacts)[];

/** By transaction number and what is known, the same whatever order recordings came in. */
export function findSendings(ledger: Holdings, placements: Placements): Sending[] {
  const byFile = new Map<number, Piece[]>();
  for (const xxh64 of [...ledger.receptions.keys()].sort()) {
    for (const piece of piecesOf(ledger.receptions.get(xxh64)!, ledger, placements)) {
      const own = byFile.get(piece.file);
      if (own) own.push(piece);
      else byFile.set(piece.file, [piece]);
    }
  }
  // Kept, but no recording tells of it any more: it was broken off and not handed in again.
  for (const { file } of ledger.files.values()) if (!byFile.has(file)) byFile.set(file, []);
  const isReused = [...byFile.values()].some(hasContradictions);
  const mixed = new Set([...byFile.values()].flatMap(mixedRuns));
  return [...byFile]
    .sort(([a], [b]) => a - b)
    .flatMap(([file, pieces]) => sendingsOf(file, pieces, isReused, mixed, ledger));
}

/** Whether a number stands for several files for certain. */
function hasContradictions(pieces: readonly Piece[]): boolean {
  let facts = NOTHING;
  return pieces.some(({ delivery }) => {
    if (!delivery) return false;
    if (contradict(facts, delivery)) return true;
    facts = joinSentFacts(facts, delivery);
    return false;
  });
}

/** On-board runs in which a number stands for several files: the sender began again, and nothing but that told it. */
function mixedRuns(pieces: readonly Piece[]): number[] {
  return [...new Set(pieces.map(({ onboardRun }) => onboardRun))].filter((run) =>
    hasContradictions(pieces.filter(({ onboardRun }) => onboardRun === run)),
  );
}

function piecesOf(reception: Reception, ledger: Holdings, placements: Placements): Piece[] {
  const { xxh64, runs, deliveries = [] } = reception;
  const placed = placements.get(xxh64)!;
  const pieceOf = (file: number, stretch: number, delivery: Delivery | undefined): Piece => {
    return { file, onboardRun: placed[stretch]!.onboardRun, delivery, runs: [] };
  };
  const told = new Map<string, { readonly from: number; readonly piece: Piece }[]>();
  for (const delivery of deliveries) {
    const { file, stretch, counter } = delivery;
    const name = `${stretch} ${file}`;
    const own = told.get(name) ?? [];
    own.push({ from: counter, piece: pieceOf(file, stretch, delivery) });
    told.set(name, own);
  }
  for (const own of told.values()) own.sort((a, b) => a.from - b.from);
  for (const run of runs) {
    if (ledger.isDirective(run)) continue;
    const name = `${run.stretch} ${run.file}`;
    const own = told.get(name) ?? [];
    let holds = own.findLast(({ from }) => from <= run.counter) ?? own[0];
    if (!holds) {
      holds = { from: 0, piece: pieceOf(run.file, run.stretch, undefined) };
      told.set(name, [holds]);
    }
    holds.piece.runs.push(run);
  }
  return [...told.values()].flatMap((own) => own.map(({ piece }) => piece));
}

/** `onboardRuns` are those in which it went out; none that the stations' receptions do not tell apart from another. */
type Known = { readonly sending: Sending; readonly onboardRuns: Set<number> };

/**
 * @param isReused whether numbers are known to have begun again: then only what shows it is taken for the same sending, else all
 *   that does not contradict it
 * @param mixed see `mixedRuns`
 */
function sendingsOf(
  file: number,
  pieces: readonly Piece[],
  isReused: boolean,
  mixed: ReadonlySet<number>,
  ledger: Holdings,
): Sending[] {
  const sendings: Known[] = [];
  const begin = (): Known => {
    const sending = { file, facts: NOTHING, condition: 0, runs: [], isAlone: false };
    sendings.push({ sending, onboardRuns: new Set() });
    return sendings.at(-1)!;
  };
  const join = ({ sending, onboardRuns }: Known, piece: Piece): void => {
    for (const run of piece.runs) sending.runs.push(run);
    sending.condition = Math.max(sending.condition, piece.delivery?.condition ?? 0);
    if (piece.delivery) sending.facts = joinSentFacts(sending.facts, piece.delivery);
    if (!mixed.has(piece.onboardRun)) onboardRuns.add(piece.onboardRun);
  };
  const telling = pieces.filter(({ delivery }) => delivery && knownFacts(delivery) > 0);
  telling.sort((a, b) => knownFacts(b.delivery!) - knownFacts(a.delivery!) || compare(describe(a), describe(b)));
  for (const piece of telling) {
    const fitting = sendings.filter(({ sending }) => !contradict(sending.facts, piece.delivery!));
    const inRun = fitting.find(({ onboardRuns }) => onboardRuns.has(piece.onboardRun));
    const shown = isReused ? fitting.find(({ sending }) => isShown(sending.facts, piece.delivery!)) : fitting[0];
    join(inRun ?? shown ?? begin(), piece);
  }
  const told = [...sendings];
  let unknown: Known | undefined;
  for (const piece of pieces.filter((one) => !telling.includes(one))) {
    const owners = ownersOf(piece, told, isReused, ledger);
    if (owners.length !== 1) unknown ??= begin();
    join(owners.length === 1 ? owners[0]! : unknown!, piece);
  }
  if (sendings.length === 0) begin();
  if (sendings.length === 1) sendings[0]!.sending.isAlone = true;
  return sendings.map(({ sending }) => sending);
}

/** Which sendings a piece may be of that tells nothing itself. */
function ownersOf(piece: Piece, told: readonly Known[], isReused: boolean, ledger: Holdings): readonly Known[] {
  if (!isReused && told.length === 1) return told;
  const inRun = told.filter(({ onboardRuns }) => onboardRuns.has(piece.onboardRun));
  return inRun.length === 1 ? inRun : told.filter(({ sending }) => shareContent(sending, piece, ledger));
}

/** Whether facts that do not contradict each other show the same sending: by checksum, or by name, and in either case by size. */
function isShown(a: SentFacts, b: SentFacts): boolean {
  const agree = (fact: keyof SentFacts): boolean => a[fact] !== null && a[fact] === b[fact];
  return agree('bytes') && (agree('checksum') || agree('name'));
}

/** For a fixed order. */
function describe({ delivery, onboardRun }: Piece): string {
  return JSON.stringify([FACTS.map((fact) => delivery?.[fact] ?? null), onboardRun]);
}

/** Whether a piece repeats segments of a sending, and contradicts none. */
function shareContent(sending: Sending, piece: Piece, ledger: Holdings): boolean {
  const own = new Map<number, Set<number>>();
  for (const [key, content] of contentsOf(sending.runs, ledger)) own.set(key, (own.get(key) ?? new Set()).add(content));
  let same = 0;
  for (const [key, content] of contentsOf(piece.runs, ledger)) {
    const known = own.get(key);
    if (known && !known.has(content)) return false;
    if (known) same++;
  }
  return same > 0;
}

function* contentsOf(runs: readonly Run[], ledger: Holdings): Iterable<readonly [key: number, content: number]> {
  for (const { lane, key } of segmentsOf(runs, ledger)) {
    yield [key, lane.table.lengthOf(key) * 2 ** 32 + lane.table.hashOf(key)];
  }
}

/** The segments that runs brought and that are kept, once for each time. */
export function* segmentsOf(runs: readonly Run[], ledger: Holdings): Iterable<{ lane: Lane; key: number }> {
  for (const { file, segments, lane: index, key, step, count } of runs) {
    const lane = ledger.files.get(`${file}-${segments}`)?.lanes[index];
    if (!lane) continue;
    for (let i = 0; i < count; i++) if (lane.table.hashOf(key + i * step) >= 0) yield { lane, key: key + i * step };
  }
}

export function knownFacts(facts: SentFacts): number {
  return FACTS.filter((fact) => facts[fact] !== null).length;
}

export function contradict(a: SentFacts, b: SentFacts): boolean {
  return FACTS.some((fact) => a[fact] !== null && b[fact] !== null && a[fact] !== b[fact]);
}

export function joinSentFacts(a: SentFacts, b: SentFacts): SentFacts {
  const { name, bytes, checksumType, checksum } = b;
  return {
    name: a.name ?? name,
    bytes: a.bytes ?? bytes,
    checksumType: a.checksumType ?? checksumType,
    checksum: a.checksum ?? checksum,
  };
}

function compare(a: string, b: string): number {
  return a === b ? 0 : a < b ? -1 : 1;
}
