// Which transactions of a file delivery brought the same file: a carousel sends it again and again, each time under a new number.
// Where name, size and checksum agree it is the same; what missed its Metadata or EOF belongs to a file when nothing contradicts it
// and enough of its content is just that file's.
import { CHECKSUM_TYPE } from '../bytes/cfdp-checksum.js';
import type { Holdings } from '../ledger/holdings.js';
import type { Lane } from '../ledger/stored-file.js';
import { deliveredAlgorithm, startChecksum } from './checksum.js';
import { JoinedLanes } from './joined-lanes.js';
import { contradict, joinSentFacts, knownFacts, type Sending, type SentFacts, segmentsOf } from './sendings.js';

/** One file, whatever the transactions that brought it. */
export type DeliveredFile = {
  facts: SentFacts;
  /** By rising number. */
  readonly sendings: Sending[];
  readonly content: JoinedLanes;
};

/** Different segments that must be the same before a transaction of which nothing is known is taken for a file's. */
const ENOUGH_ALIKE = 3;
/** Files and segments compared, in all, to find those: a bound for crafted input. */
const MOST_COMPARED = 20_000_000;
/** Bytes read, in all, to prove what only name and size speak for. */
const MOST_PROVEN_BYTES = 2 ** 28;

/** By the lowest number that brought each; the same whatever the order of `sendings`. */
export function joinSendings(sendings: readonly Sending[], ledger: Holdings): DeliveredFile[] {
  const joiner = new SendingJoiner(ledger);
  const sorted = [...sendings].sort(
    (a, b) =>
      knownFacts(b.facts) - knownFacts(a.facts) || a.file - b.file || compare(identityOf(a.facts), identityOf(b.facts)),
  );
  for (const sending of sorted) joiner.add(sending);
  joiner.joinLoose();
  joiner.joinProven();
  const files = [...joiner.files];
  for (const file of files) file.sendings.sort((a, b) => a.file - b.file);
  return files.sort(
    (a, b) => a.sendings[0]!.file - b.sendings[0]!.file || compare(identityOf(a.facts), identityOf(b.facts)),
  );
}

class SendingJoiner {
  readonly files = new Set<DeliveredFile>();
  readonly #ledger: Holdings;
  readonly #proven = new Map<string, DeliveredFile>();
  #workLeft = MOST_COMPARED;
  #bytesLeft = MOST_PROVEN_BYTES;

  constructor(ledger: Holdings) {
    this.#ledger = ledger;
  }

  add(sending: Sending): void {
    const own: DeliveredFile = { facts: sending.facts, sendings: [sending], content: contentOf(sending, this.#ledger) };
    const identity = isProvable(sending.facts) ? identityOf(sending.facts) : undefined;
    const known = identity === undefined ? this.#fileLike(own) : this.#proven.get(identity);
    if (known) {
      this.#absorb(known, own);
      return;
    }
    this.files.add(own);
    if (identity !== undefined) this.#proven.set(identity, own);
  }

  /** What found no file when it came may find one now, until nothing changes any more. */
  joinLoose(): void {
    for (let changed = true; changed; ) {
      changed = false;
      for (const own of [...this.files]) {
        if (!this.files.has(own) || isProvable(own.facts)) continue;
        const file = this.#fileLike(own);
        if (!file) continue;
        this.files.delete(own);
        this.#absorb(file, own);
        changed = true;
      }
    }
  }

  /** Joins what only name and size speak for where, together, it is whole and the checksum proves it. */
  joinProven(): void {
    for (const file of [...this.files]) {
      if (this.#workLeft <= 0) return;
      if (!this.files.has(file) || isComplete(file.content, file.facts.bytes)) continue;
      this.#workLeft -= this.files.size;
      const others = [...this.files].filter(
        (other) => other !== file && agreeOn(file.facts, other.facts, 'name', 'bytes') && this.#mayBeOne(file, other),
      );
      const isOne = others.every((a) => others.every((b) => a === b || this.#mayBeOne(a, b)));
      if (others.length === 0 || !isOne || !this.#isProven([file, ...others])) continue;
      for (const other of others) {
        this.files.delete(other);
        this.#absorb(file, other);
      }
    }
  }

  #isProven(files: readonly DeliveredFile[]): boolean {
    const facts = files.map((file) => file.facts).reduce(joinSentFacts);
    const content = new JoinedLanes(this.#ledger);
    for (const file of files) content.addAll(file.content);
    const algorithm = facts.checksum === null ? undefined : deliveredAlgorithm(facts.checksumType);
    const lane = content.lanes[0];
    if (!algorithm || !lane || !isComplete(content, facts.bytes) || this.#bytesLeft < facts.bytes!) return false;
    this.#bytesLeft -= facts.bytes!;
    const checksum = startChecksum(algorithm);
    const buffer = Buffer.alloc(lane.table.fullLength);
    for (const key of lane.table.keys()) {
      content.read(lane, key, 1, buffer);
      checksum.update(buffer.subarray(0, lane.table.lengthOf(key)));
    }
    const expected = facts.checksum!.toString(16).padStart(8, '0');
    return content.lost === 0 && checksum.digest(expected) === expected;
  }

  #absorb(file: DeliveredFile, other: DeliveredFile): void {
    file.facts = joinSentFacts(file.facts, other.facts);
    file.sendings.push(...other.sendings);
    file.content.addAll(other.content);
  }

  /** The file that `own` is of; several that it shows to be one are made one. */
  #fileLike(own: DeliveredFile): DeliveredFile | undefined {
    if (this.#workLeft <= 0) return undefined;
    const [file, ...others] = [...this.files].filter((other) => other !== own && this.#isAlike(own, other));
    if (
      !file ||
      others.some((other) => others.concat(file).some((one) => one !== other && !this.#mayBeOne(one, other)))
    ) {
      return undefined;
    }
    // Provable ones come first, and only one of them can be here: they contradict each other.
    for (const other of others) {
      this.files.delete(other);
      this.#absorb(file, other);
    }
    return file;
  }

  #isAlike(own: DeliveredFile, file: DeliveredFile): boolean {
    const compared = this.#compare(own, file);
    if (!compared) return false;
    // What brings nothing but what the file has already is the file's, however little it is.
    const isIn = compared.alike > 0 && !compared.bringsNew;
    return isIn || compared.alike >= alikeNeeded(own.facts, file.facts);
  }

  #mayBeOne(a: DeliveredFile, b: DeliveredFile): boolean {
    return this.#compare(a, b) !== undefined;
  }

  /**
   * How many different segments are the same in both, and whether `a` has others; `undefined` where anything contradicts that
   * they are one file.
   */
  #compare(a: DeliveredFile, b: DeliveredFile): { alike: number; bringsNew: boolean } | undefined {
    if (this.#workLeft-- <= 0 || contradict(a.facts, b.facts)) return undefined;
    const alike = new Set<number>();
    let bringsNew = false;
    for (const { table } of a.content.lanes) {
      for (const key of table.keys()) {
        const hash = table.hashOf(key);
        const compared = b.content.compare(key, table.lengthOf(key), hash, table.fullLength);
        if (compared === 'other' || this.#workLeft-- <= 0) return undefined;
        if (compared === 'same') alike.add(hash);
        else bringsNew = true;
      }
    }
    return { alike: alike.size, bringsNew };
  }
}

/** Whether name, size and checksum are known, and the checksum is one. */
function isProvable(facts: SentFacts): boolean {
  return knownFacts(facts) === Object.keys(facts).length && facts.checksumType !== CHECKSUM_TYPE.null;
}

function identityOf({ name, bytes, checksumType, checksum }: SentFacts): string {
  return JSON.stringify([name, bytes, checksumType, checksum]);
}

/** How many segments must be alike, by what else agrees. Neither contradicts the other. */
function alikeNeeded(a: SentFacts, b: SentFacts): number {
  // The null checksum is 0 for every file.
  if (agreeOn(a, b, 'bytes', 'checksum') && a.checksum !== 0) return 0;
  return agreeOn(a, b, 'name', 'bytes') ? 1 : ENOUGH_ALIKE;
}

function agreeOn(a: SentFacts, b: SentFacts, ...facts: (keyof SentFacts)[]): boolean {
  return facts.every((fact) => a[fact] !== null && a[fact] === b[fact]);
}

/** Whether every byte is there, and no place has several contents. */
function isComplete({ lanes }: JoinedLanes, bytes: number | null): boolean {
  const ranges = lanes[0]?.table.ranges();
  return lanes.length === 1 && ranges?.length === 2 && ranges[0] === 0 && ranges[1] === bytes;
}

/** What is kept of a sending. */
function contentOf({ file, runs, isAlone }: Sending, ledger: Holdings): JoinedLanes {
  const content = new JoinedLanes(ledger);
  const stored = ledger.files.get(`${file}-0`);
  if (!stored) return content;
  if (isAlone) {
    for (const lane of stored.lanes) content.add({ stored, lane }, () => lane.table.keys());
    return content;
  }
  const byLane = new Map<Lane, Set<number>>();
  for (const { lane, key } of segmentsOf(runs, ledger)) byLane.set(lane, (byLane.get(lane) ?? new Set()).add(key));
  for (const [lane, keys] of byLane) {
    const sorted = [...keys].sort((a, b) => a - b);
    content.add({ stored, lane }, () => sorted);
  }
  return content;
}

function compare(a: string, b: string): number {
  return a === b ? 0 : a < b ? -1 : 1;
}
