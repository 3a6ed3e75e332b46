// Who listens and how: each station's link and its recorder's habits, and a ready-made set for a rehearsal in which stations differ
// the way they do in the field (one hears well, one is late, one loses bursts, one's clock is wrong).
import type { Link } from './channel.js';

/** How a station hands in its recordings: plain files in a folder, one zip, each file gzipped, or each as a network capture. */
export type Packaging = 'folder' | 'zip' | 'gzip' | 'capture';

export type RecorderHabits = {
  readonly packaging: Packaging;
  /** A new numbered file begins after so many bytes; absent = one file per session. */
  readonly chunkBytes?: number;
  /** When the recorder runs, seconds since the campaign began, in order, `end` exclusive; absent = the whole pass. */
  readonly sessions?: readonly { readonly start: number; readonly end: number }[];
  /** How far its clock is ahead of UTC, seconds; it shows in the time stamps of the file names. */
  readonly clockErrorSeconds: number;
  /** Whether its sessions begin and end in the middle of a baseband frame. */
  readonly cutsFrames: boolean;
  /** The chance, per baseband frame, that bytes go missing from here on for a few frames. */
  readonly holes: number;
  /** The chance that such a hole is filled with bytes that mean nothing: zeros or noise. */
  readonly garbage: number;
};

export type StationPlan = {
  /** Names the folder or archive: letters, digits, `-` and `_`. */
  readonly name: string;
  readonly link: Link;
  readonly recorder: RecorderHabits;
};

const HABITS: readonly Omit<RecorderHabits, 'sessions'>[] = [
  { packaging: 'folder', chunkBytes: 400_000, clockErrorSeconds: 0, cutsFrames: true, holes: 0.002, garbage: 0 },
  { packaging: 'zip', chunkBytes: 600_000, clockErrorSeconds: 41, cutsFrames: true, holes: 0.001, garbage: 0.5 },
  { packaging: 'gzip', clockErrorSeconds: -133, cutsFrames: false, holes: 0.003, garbage: 1 },
  { packaging: 'folder', clockErrorSeconds: 7, cutsFrames: true, holes: 0.002, garbage: 0.5 },
];

/** Differences between stations, as many as there are habits: margin in dB, place in the turn, bursts, damaged frames. */
const LINKS: readonly Pick<Link, 'marginDb' | 'phase' | 'bursts' | 'damage'>[] = [
  { marginDb: 3.6, phase: 0.02, bursts: { enter: 0.004, leave: 0.25 }, damage: 0.004 },
  { marginDb: 5.2, phase: 0.06, bursts: { enter: 0.002, leave: 0.4 }, damage: 0.002 },
  { marginDb: 2.4, phase: 0.97, bursts: { enter: 0.012, leave: 0.15 }, damage: 0.01 },
  { marginDb: 3.0, phase: 0.09, bursts: { enter: 0.006, leave: 0.3 }, damage: 0.006 },
];

/**
 * Plans for stations of these names, alike whatever else is asked: passes of three quarters of the campaign that begin one after
 * the other, with a recorder that stops once where the fourth habit applies.
 *
 * @param seconds length of the campaign
 */
export function defaultStations(names: readonly string[], seconds: number): StationPlan[] {
  return names.map((name, index) => {
    const start = (seconds / 4) * (names.length > 1 ? index / (names.length - 1) : 0.5);
    const end = start + (3 / 4) * seconds;
    const pause = start + 0.45 * (end - start);
    const sessions = [
      { start, end: pause },
      { start: pause + 12, end },
    ];
    return {
      name,
      link: { pass: { start, end, edgeLossDb: 2 }, ...LINKS[index % LINKS.length]! },
      recorder: {
        ...HABITS[index % HABITS.length]!,
        ...(index % HABITS.length === 3 && end > pause + 12 ? { sessions } : {}),
      },
    };
  });
}

/** A station that hears everything while its pass lasts and records it without a flaw: for tests, and to see what perfect is. */
export function faultlessStation(name: string, start: number, end: number): StationPlan {
  return {
    name,
    link: {
      pass: { start, end, edgeLossDb: 0 },
      marginDb: Number.POSITIVE_INFINITY,
      phase: 0,
      bursts: { enter: 0, leave: 1 },
      damage: 0,
    },
    recorder: { packaging: 'folder', clockErrorSeconds: 0, cutsFrames: false, holes: 0, garbage: 0 },
  };
}
