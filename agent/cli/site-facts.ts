import type { SiteSettings } from '../settings/settings.js'

const notRecorded = 'not recorded'
const with_ = (value: number | undefined, unit: string): string =>
  value === undefined ? notRecorded : `${value}${unit}`

/** What whoever reads the figures later wants to know of the place; nobody guesses what was not written down. */
export function siteFactRows(site: SiteSettings | undefined): [what: string, words: string][] {
  const sources = site?.sources ?? []
  return [
    ['inlet height', with_(site?.inletHeightMetres, ' m')],
    ['free arc', with_(site?.freeArcDegrees, '°')],
    ['nearest obstacle', with_(site?.nearestObstacleMetres, ' m')],
    ['nearest road', with_(site?.nearestRoadMetres, ' m')],
    ['sources', sources.length === 0 ? notRecorded : sources.map(sourceText).join('; ')],
    ['permission', site?.permission ?? notRecorded],
    ['photographs', site?.photos.length ? site.photos.join(', ') : notRecorded],
  ]
}

function sourceText({ name, bearingDegrees, distanceMetres }: SiteSettings['sources'][number]): string {
  const bearing = with_(bearingDegrees, '°')
  const distance = with_(distanceMetres, ' m')
  return `${name} (direction ${bearing}, distance ${distance})`
}

/** In one line: the names of what is missing, for there is where something is to be done. */
export function missingSiteFacts(site: SiteSettings | undefined): string | undefined {
  const missing = siteFactRows(site).filter(([, words]) => words.includes(notRecorded))
  return missing.length === 0 ? undefined : `${missing.map(([what]) => what).join(', ')}: ${notRecorded}`
}
