// The sample report with hostile text wherever text comes from the downlink or from a station.
import type { Report } from '../../src/report/model.js';

/** Markup, quotes, an escape sequence, a bell and direction overrides in one name. */
export const hostileText = `</script><img src=x onerror="document.title='owned'">'"&\u001b[2J\u001b]0;owned\u0007\u0000\u202egpj.exe\u2066`;

/** The letters of it that must stay readable. */
export const hostileLetters = `</script><img src=x onerror="document.title='owned'">'"&`;

/** The first file, station and recording, a note and the program's name carry the text. */
export function hostileReport({ coverage, missing, strips, thumbnails, details }: Report): Report {
  const first = coverage.stations[0]!.name;
  const renamed = <Name extends string | null>(name: Name) => (name === first ? hostileText : name);
  const id = coverage.files[0]!.id;
  return {
    coverage: {
      ...coverage,
      mission: hostileText,
      stations: coverage.stations.map((station, index) => (index === 0 ? { ...station, name: hostileText } : station)),
      recordings: coverage.recordings.map((recording, index) =>
        index === 0 ? { ...recording, name: hostileText, station: hostileText, problems: [hostileText] } : recording,
      ),
      files: coverage.files.map((file) =>
        file.id === id
          ? {
              ...file,
              name: hostileText,
              path: `files/${hostileText}`,
              checksum: { algorithm: hostileText, expected: hostileText, actual: hostileText, matches: false },
              stations: { ...file.stations, [hostileText]: 1 },
              media: { kind: 'picture', format: hostileText, width: 1, height: 1 },
              salvage: { path: `../../${hostileText}`, note: hostileText },
            }
          : file,
      ),
      notes: [hostileText, ...coverage.notes],
    },
    missing: missing.map((range, index) => (index === 0 ? { ...range, name: hostileText } : range)),
    strips,
    thumbnails,
    details: {
      ...details,
      timeline: {
        ...details.timeline,
        stations: details.timeline.stations.map((station) => ({ ...station, name: renamed(station.name) })),
      },
      sharing: {
        pairs: details.sharing.pairs.map((pair) => ({
          ...pair,
          stations: [renamed(pair.stations[0]), renamed(pair.stations[1])],
        })),
        without: details.sharing.without.map((row) => ({ ...row, station: renamed(row.station) })),
      },
      settings: [[hostileText, hostileText], ...details.settings],
    },
    madeBy: hostileText,
  };
}
