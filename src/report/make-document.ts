// The report as the page's document: every text made fit to be shown, every link checked, here and nowhere else.
import type { FileCoverage } from '../coverage/coverage.js';
import type { TimelineStation } from '../coverage/timeline.js';
import type { Report } from './model.js';
import type { DocumentChanges, PageDocument, PageFile, PageMissing } from './page-document.js';
import { count, counted } from './quantity.js';
import { type CodedStrip, coarseStrip, codeStrip, MOST_COUNTED } from './strip-code.js';
import { summaryWords } from './summary-words.js';
import { relativeLink, visibleText } from './visible-text.js';

export type PageDocumentOptions = {
  /** Counts above it are told as it. Default 25. */
  readonly countedTo?: number;
  /** Strips of more columns are told by this many. Default: one for each segment. */
  readonly stripColumns?: number;
  /** Rows of `missing`. Default 20,000. */
  readonly mostMissing?: number;
};

export function makeDocument(report: Report, options: PageDocumentOptions = {}): PageDocument {
  const { coverage, missing, strips, details } = report;
  const { countedTo = MOST_COUNTED, stripColumns = Number.POSITIVE_INFINITY, mostMissing = 20_000 } = options;
  const stripOf = new Map(strips.map((strip) => [strip.id, strip]));
  const indexOf = new Map(coverage.files.map(({ id }, i) => [id, i]));
  const stationOf = new Map(coverage.stations.map(({ name }, i) => [name, i]));
  const coded = (id: string): CodedStrip | null => {
    const strip = stripOf.get(id);
    if (!strip || strip.total === 0) return null;
    return strip.total > stripColumns ? coarseStrip(strip, stripColumns, countedTo) : codeStrip(strip, countedTo);
  };
  return {
    mission: visibleText(coverage.mission),
    madeBy: visibleText(report.madeBy),
    words: summaryWords(report).map(visibleText),
    countedTo,
    totals: coverage.totals,
    files: coverage.files.map((file) => pageFile(file, coded(file.id), report)),
    stations: coverage.stations.map((station) => ({ ...station, name: visibleText(station.name) })),
    pairs: details.sharing.pairs.flatMap(({ stations: [a, b], transmissions, segments }) => {
      const [first, second] = [stationOf.get(a), stationOf.get(b)];
      return first === undefined || second === undefined
        ? []
        : [{ stations: [first, second] as const, transmissions, segments }];
    }),
    without: coverage.stations.map(({ name }) => {
      const row = details.sharing.without.find(({ station }) => station === name);
      return {
        segments: row?.segments ?? 0,
        files: (row?.files ?? []).map((id) => indexOf.get(id)).filter((index) => index !== undefined),
      };
    }),
    timeline: {
      ...details.timeline,
      stations: details.timeline.stations.map((station): TimelineStation => {
        return { ...station, name: station.name === null ? null : visibleText(station.name) };
      }),
    },
    missing: missing.slice(0, mostMissing).map(({ id, first, last, lastSent }): PageMissing => {
      return [indexOf.get(id) ?? -1, first, last, lastSent?.run ?? -1, lastSent?.counter ?? -1];
    }),
    missingTotal: missing.length,
    recordings: coverage.recordings.map((recording) => ({
      ...recording,
      station: visibleText(recording.station),
      name: visibleText(recording.name),
      problems: recording.problems.map(visibleText),
      startedAt: details.startedAt.get(recording.xxh64) ?? null,
    })),
    settings: details.settings.map(([name, value]) => [visibleText(name), visibleText(value)] as const),
    notes: coverage.notes.map(visibleText),
    repeats: null,
  };
}

/** What has changed since `before` of the same campaign, whose files were counted again. */
export function documentChanges(report: Report, before: Report): DocumentChanges {
  const known = new Set(before.coverage.files);
  const changed = report.coverage.files.filter((file) => !known.has(file));
  return {
    words: summaryWords(report).map(visibleText),
    totals: report.coverage.totals,
    files: changed.map((file) => {
      const { strip: _, ...rest } = pageFile(file, null, report);
      return rest;
    }),
  };
}

function pageFile(file: FileCoverage, strip: CodedStrip | null, { coverage, thumbnails, clips }: Report): PageFile {
  const { id, state, bytes, segments, salvage } = file;
  const thumbnail = thumbnails.get(id);
  const shown = salvage?.path ?? file.path ?? '';
  const isClip = file.media?.kind === 'video' || /\.(mp4|m4v|mov|webm)$/i.test(shown);
  const kind = isClip ? 'clip' : file.media?.kind === 'picture' || thumbnail || salvage ? 'picture' : null;
  return {
    id,
    name: visibleText(file.name),
    state,
    bytes,
    unit: segments.unit,
    total: segments.total,
    received: segments.received,
    link: relativeLink(file.path),
    salvage: salvage && { link: relativeLink(salvage.path), note: visibleText(salvage.note) },
    kind,
    thumbnail: thumbnail ? { source: thumbnail.dataUri, width: thumbnail.width, height: thumbnail.height } : null,
    remarks: fileRemarks(file).map(visibleText),
    held: coverage.stations.map(({ name }) => (Object.hasOwn(file.stations, name) ? file.stations[name]! : 0)),
    strip,
    frames: clips?.get(id) ?? null,
  };
}

function fileRemarks({ checksum, conflicts, media }: FileCoverage): string[] {
  const remarks: string[] = [];
  if (media?.kind === 'picture') remarks.push(`Decodes as ${media.format}, ${media.width} × ${media.height} pixels.`);
  if (media?.kind === 'video') {
    const frames = media.frames === undefined ? '' : `, ${counted(media.frames, 'frame')}`;
    const size = `${media.width} × ${media.height} pixels`;
    remarks.push(`Decodes as ${media.format} (${media.codec}), ${size}, ${media.seconds.toFixed(1)} s${frames}.`);
  }
  if (checksum === null) remarks.push('No checksum known.');
  else {
    const algorithm = checksum.algorithm.toUpperCase();
    if (checksum.matches === true) remarks.push(`${algorithm} ${checksum.expected} agrees.`);
    else if (checksum.actual === null) remarks.push(`Expected ${algorithm} ${checksum.expected}.`);
    else remarks.push(`${algorithm} expected ${checksum.expected}, got ${checksum.actual}.`);
  }
  if (conflicts.length > 0) {
    const undecided = conflicts.filter(({ decided }) => decided === 'undecided').length;
    remarks.push(
      `Different contents arrived for ${counted(conflicts.length, 'segment')}; ${count(undecided)} undecided.`,
    );
  }
  return remarks;
}
