// The Files section of the page: one block for each file with picture, state, coverage strip and missing ranges.
import type { FileCoverage, Strip } from '../coverage/coverage.js';
import { fileStates, filesByNeed, stateMeaning, stateSign } from './file-state.js';
import { type Html, html } from './html-text.js';
import type { Report, Thumbnail } from './model.js';
import { count, counted, perCent, rangesTotal, rangeText, sizeText } from './quantity.js';
import { stripSvg } from './strip-svg.js';

// What all strips and all lists of ranges of a page may take together, so that 1,000 files still load at once.
const stripsLength = 1_200_000;
const rangesListed = 30_000;

export function htmlFiles({ coverage, strips, thumbnails }: Report): Html {
  if (coverage.files.length === 0) return html`<p>No file is known yet.</p>`;
  const stripOf = new Map(strips.map((strip) => [strip.id, strip]));
  const limits = {
    strip: Math.min(12_000, stripsLength / coverage.files.length),
    ranges: Math.min(1_000, Math.floor(rangesListed / coverage.files.length)),
  };
  const blocks = filesByNeed(coverage.files).map((file) =>
    fileBlock(file, stripOf.get(file.id), thumbnails.get(file.id), limits),
  );
  return html`${legend(coverage.files)}<div class="${blocks.length > 60 ? 'files many' : 'files'}">${blocks}</div>`;
}

function legend(files: readonly FileCoverage[]): Html {
  const states = [...fileStates].reverse().map((state) => {
    const number = files.filter((file) => file.state === state).length;
    return html`<div><dt>${stateLabel(state)}</dt> <dd>${stateMeaning[state]} Here:\u00a0${count(number)}.</dd></div>`;
  });
  const sample = (runs: Strip['runs']) => stripSvg({ id: '', total: 1, runs }, 'segment', 100);
  return html`<dl class="legend states">${states}</dl>
<p>The strip shows a file from its first segment (left) to its last:</p>
<ul class="legend keys"><li>${sample([[0, 0, 2]])} tall: received several times</li><li>${sample([[0, 0, 1]])} low: received once</li><li>${sample([[0, 0, 0]])} hatched, mark below: missing</li></ul>
<p>A column of a long strip stands for several segments and shows the worst of them, so nothing missing is hidden.</p>`;
}

function stateLabel(state: FileCoverage['state']): Html {
  return html`<span class="state ${state}"><span aria-hidden="true">${stateSign[state]}</span> ${state}</span>`;
}

function fileBlock(
  file: FileCoverage,
  strip: Strip | undefined,
  thumbnail: Thumbnail | undefined,
  limits: { strip: number; ranges: number },
): Html {
  const { segments } = file;
  const facts = [
    file.bytes === null ? 'size unknown' : sizeText(file.bytes),
    perCent(segments.received, segments.total),
    `${count(segments.received)} of ${counted(segments.total, 'segment')}`,
  ];
  return html`<article id="file-${file.id}"><div class="picture">${picture(file, thumbnail)}</div><div><h3><bdi>${linked(file.path, file.name)}</bdi> <small>file ${file.id}</small></h3>
<p class="facts">${stateLabel(file.state)}${facts.map((fact) => html` <span>${fact}</span>`)}</p>
${strip !== undefined && strip.total > 0 ? stripSvg(strip, segments.unit, limits.strip) : html`<p class="dim">No strip: the number of segments is unknown.</p>`}
${missingList(file, limits.ranges)}${fileRemarks(file)}</div></article>
`;
}

function picture(file: FileCoverage, thumbnail: Thumbnail | undefined): Html {
  if (thumbnail === undefined) return html`<span class="dim">no picture</span>`;
  const what = file.segments.missing.length > 0 ? `what was received of ${file.name}` : file.name;
  return html`<img src="${thumbnail.dataUri}" width="${thumbnail.width}" height="${thumbnail.height}" alt="Small view of ${what}">`;
}

/** A link to what was written, relative to the page; plain text where nothing was. */
function linked(path: string | null, label: string): Html {
  const steps = path?.split('/') ?? [];
  if (steps.length === 0 || steps.some((step) => ['', '.', '..'].includes(step))) return html`${label}`;
  return html`<a href="./${steps.map(encodeStep).join('/')}">${label}</a>`;
}

function encodeStep(step: string): string {
  return encodeURIComponent(step.replace(/\p{Cs}/gu, '\ufffd'));
}

function missingList({ segments }: FileCoverage, limit: number): Html | null {
  if (segments.missing.length === 0) return null;
  const amount = counted(rangesTotal(segments.missing), segments.unit);
  const shown = segments.missing.slice(0, limit).map(rangeText).join(', ');
  const rest = segments.missing.length - limit;
  const more = rest > 0 ? ` and ${counted(rest, 'more range')}, all in missing.csv` : '';
  return html`<details><summary>${amount} missing in ${counted(segments.missing.length, 'range')}</summary><p>${shown}${more}</p></details>`;
}

function fileRemarks({ checksum, conflicts, media, salvage }: FileCoverage): Html {
  const remarks: Html[] = [];
  if (media?.kind === 'picture')
    remarks.push(html`Decodes as ${media.format}, ${media.width} × ${media.height} pixels.`);
  if (media?.kind === 'video') {
    remarks.push(
      html`Decodes as ${media.format} (${media.codec}), ${media.width} × ${media.height} pixels, ${media.seconds.toFixed(1)} s${media.frames === undefined ? '' : `, ${counted(media.frames, 'frame')}`}.`,
    );
  }
  if (checksum === null) remarks.push(html`No checksum known.`);
  else if (checksum.matches === true)
    remarks.push(html`${checksum.algorithm.toUpperCase()} <code>${checksum.expected}</code> agrees.`);
  else if (checksum.actual === null)
    remarks.push(html`Expected ${checksum.algorithm.toUpperCase()} <code>${checksum.expected}</code>.`);
  else
    remarks.push(
      html`${checksum.algorithm.toUpperCase()} expected <code>${checksum.expected}</code>, got <code>${checksum.actual}</code>.`,
    );
  if (conflicts.length > 0) {
    const undecided = conflicts.filter((conflict) => conflict.decided === 'undecided').length;
    remarks.push(
      html`Different contents arrived for ${counted(conflicts.length, 'segment')}; ${count(undecided)} undecided.`,
    );
  }
  if (salvage !== null) remarks.push(html`${linked(salvage.path, 'What can be seen of it')}: ${salvage.note}`);
  return html`<p class="dim">${remarks.map((remark, index) => html`${index > 0 ? ' ' : ''}${remark}`)}</p>`;
}
