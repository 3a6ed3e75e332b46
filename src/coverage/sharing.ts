// What stations have in common, and what the campaign would be without one of them. From sets, so the order of handing in is nothing.
import { intersectRanges, rangesLength } from '../bytes/ranges.js';
import type { FileCoverage } from './coverage.js';
import { heardByOne, type StationReception } from './stations.js';

export type PairSharing = {
  readonly stations: readonly [string, string];
  /** Transmissions that both received; `null` where nothing counts them, so that they cannot be compared. */
  readonly transmissions: number | null;
  /** Distinct segments that both hold, from whichever transmission. */
  readonly segments: number;
};

export type WithoutStation = {
  readonly station: string;
  /** Segments that would be missing besides those that are. */
  readonly segments: number;
  /** Ids of files with every segment there that would no longer be so. */
  readonly files: readonly string[];
};

export type Sharing = { readonly pairs: readonly PairSharing[]; readonly without: readonly WithoutStation[] };

/** @param counted whether a counter tells which receptions are of one transmission */
export function stationSharing(
  stations: readonly StationReception[],
  files: readonly FileCoverage[],
  counted: boolean,
): Sharing {
  const none: readonly number[] = [];
  const pairs = stations.flatMap((a, i) =>
    stations.slice(i + 1).map((b): PairSharing => {
      let segments = 0;
      for (const [id, own] of a.segments) {
        segments += rangesLength(intersectRanges(own, b.segments.get(id) ?? none));
      }
      const transmissions = counted ? rangesLength(intersectRanges(a.transmissions, b.transmissions)) : null;
      return { stations: [a.name, b.name], transmissions, segments };
    }),
  );
  const lost = stations.map(() => ({ segments: 0, files: [] as string[] }));
  for (const { id, state } of files) {
    const held = stations.map(({ segments }) => segments.get(id) ?? none);
    const once = heardByOne(held);
    held.forEach((own, i) => {
      const alone = rangesLength(intersectRanges(own, once));
      lost[i]!.segments += alone;
      if (alone > 0 && state !== 'partial') lost[i]!.files.push(id);
    });
  }
  return { pairs, without: stations.map(({ name }, i) => ({ station: name, ...lost[i]! })) };
}
