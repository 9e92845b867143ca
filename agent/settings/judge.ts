import { valueText, type Verdict } from './fault.js'
import type { Leaf } from './leaves.js'
import { nearest } from './suggest.js'
import { isZone, nearestZone } from './zone.js'

/** Puts into plain words why a value does not pass. That it does not, the schema has found. */

export function allowedText(leaf: Leaf): string {
  switch (leaf.kind) {
    case 'number': {
      const range = leaf.allowed ?? `${leaf.whole ? 'a whole number from ' : ''}${leaf.least} to ${leaf.most}`
      return `allowed: ${range}${leaf.unit ? ` (${leaf.unit})` : ''}`
    }
    case 'choice':
      return leaf.words.length === 1 ? `write ${leaf.words[0]}` : `allowed: ${leaf.words.join(', ')}`
    case 'switch':
      return 'write true or false'
    case 'list':
      return `write a list, each entry after a hyphen: ${leaf.least} to ${leaf.most} ${leaf.of}`
    case 'group':
      return `write these below it, indented: ${leaf.keys.join(', ')}`
    default:
      return `allowed: ${leaf.allowed}`
  }
}

export function judge(value: unknown, leaf: Leaf): Verdict {
  if (value === undefined) return { code: 'missing', wrong: 'missing', advice: allowedText(leaf) }
  if (value === null || (typeof value === 'string' && value.trim() === ''))
    return {
      code: 'empty',
      wrong: 'empty',
      advice: `give a value, or take the line away; ${allowedText(leaf)}`,
    }
  switch (leaf.kind) {
    case 'number':
      return typeof value === 'number' ? judgeNumber(value, leaf) : judgeNoNumber(value, leaf)
    case 'choice':
      return judgeChoice(value, leaf.words, allowedText(leaf))
    case 'switch':
      return judgeSwitch(value)
    case 'text':
      return judgeText(value, leaf)
    case 'list':
      return judgeList(value, leaf)
    case 'group':
      return judgeGroup(value, leaf)
    case 'either':
      return {
        code: typeof value === 'string' ? 'wrong-text' : 'wrong-kind',
        wrong: `${valueText(value)} does not fit`,
        advice: allowedText(leaf),
      }
  }
}

type NumberLeaf = Extract<Leaf, { kind: 'number' }>

function judgeNumber(value: number, leaf: NumberLeaf): Verdict {
  const finer = finerUnit(value, leaf)
  if (finer) return finer
  const wrong =
    value > leaf.most
      ? 'is too large'
      : value < leaf.least
        ? 'is too small'
        : Number.isFinite(value)
          ? 'is not allowed'
          : 'is no quantity'
  return { code: 'out-of-range', wrong: `${value} ${wrong}`, advice: allowedText(leaf) }
}

/** 60000 at a key in seconds is a minute in milliseconds, 3600 at a key in minutes an hour in seconds. */
function finerUnit(value: number, leaf: NumberLeaf): Verdict | undefined {
  const [unit, per] =
    leaf.unit === 'seconds' ? ['milliseconds', 1000] : leaf.unit === 'minutes' ? ['seconds', 60] : ['', 0]
  if (per === 0 || value <= leaf.most || value % per !== 0) return undefined
  const meant = value / per
  return {
    code: 'milliseconds',
    wrong: `${value} looks like ${unit}`,
    advice: `this key counts ${leaf.unit}, and ${value} ${unit} are ${meant}; ${allowedText(leaf)}`,
  }
}

function judgeNoNumber(value: unknown, leaf: NumberLeaf): Verdict {
  const no = (code: Verdict['code'], advice: string): Verdict => ({
    code,
    wrong: `${valueText(value)} is not a number`,
    advice,
  })
  if (typeof value !== 'string') return no('wrong-kind', allowedText(leaf))
  const typed = value.trim()
  if (/^[+-]?\d+,\d+$/.test(typed))
    return no('decimal-comma', `write decimals with a point (${typed.replace(',', '.')})`)
  if (/^[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?$/i.test(typed))
    return {
      code: 'quoted',
      wrong: `${valueText(value)} is a text, not a number`,
      advice: `write it without quotes (${typed})`,
    }
  const withUnit = /^([+-]?\d+(?:[.,]\d+)?)\s*[\p{L}%°]\S*$/u.exec(typed)
  if (withUnit)
    return no(
      'not-a-number',
      `write the number alone (${withUnit[1].replace(',', '.')}); ${leaf.unit ? `it is in ${leaf.unit}` : 'the unit is that of the channel'}`,
    )
  return no('not-a-number', allowedText(leaf))
}

function judgeChoice(value: unknown, words: readonly (string | number)[], advice: string): Verdict {
  const typed = typeof value === 'object' ? '' : String(value)
  if (
    typeof value === 'string' &&
    words.some((word) => typeof word === 'number' && String(word) === typed.trim())
  )
    return {
      code: 'quoted',
      wrong: `${valueText(value)} is a text, not a number`,
      advice: `write it without quotes (${typed.trim()})`,
    }
  const didYouMean = nearest(typed, words.map(String))
  return {
    code: 'unknown-word',
    wrong: `${valueText(value)} is not one of the words for this key`,
    advice,
    didYouMean,
  }
}

function judgeSwitch(value: unknown): Verdict {
  const typed = typeof value === 'object' ? '' : String(value).toLowerCase()
  if (typed === 'true' || typed === 'false')
    return {
      code: 'quoted',
      wrong: `${valueText(value)} is a text, not a switch`,
      advice: `write ${typed} without quotes`,
    }
  const meant = /^(yes|on|1)$/.test(typed) ? 'true' : /^(no|off|0)$/.test(typed) ? 'false' : undefined
  const advice = meant ? `write ${meant}` : 'write true or false'
  return { code: 'wrong-kind', wrong: `${valueText(value)} is not true or false`, advice }
}

function judgeText(value: unknown, leaf: Extract<Leaf, { kind: 'text' }>): Verdict {
  const shown = leaf.veiled ? 'this' : valueText(value)
  const advice = allowedText(leaf)
  if (typeof value === 'object')
    return { code: 'wrong-kind', wrong: `${valueText(value)} stands where a text belongs`, advice }
  if (typeof value !== 'string')
    return {
      code: 'wrong-kind',
      wrong: `${shown} is not a text`,
      advice: `put it in quotes if it is meant; ${advice}`,
    }
  if (leaf.zone) return judgeZone(value)
  return {
    code: 'wrong-text',
    wrong: `${shown} does not fit`,
    advice,
    didYouMean: nearText(value, leaf.near),
  }
}

/** 'pm25.north' was probably meant to be 'pm2_5.north'. */
function nearText(value: string, known: readonly string[] = []): string | undefined {
  const whole = nearest(value, known)
  if (whole !== undefined) return whole
  const dot = value.lastIndexOf('.')
  const head = dot > 0 ? nearest(value.slice(0, dot), known) : undefined
  return head && head + value.slice(dot)
}

export function judgeZone(value: string): Verdict {
  const advice =
    'allowed: a name of the IANA time zone list, such as UTC or Area/City; for a fixed offset use standard_offset_min'
  return {
    code: 'unknown-zone',
    wrong: `${valueText(value)} is not a known time zone`,
    advice,
    didYouMean: isZone(value) ? undefined : nearestZone(value),
  }
}

function judgeList(value: unknown, leaf: Extract<Leaf, { kind: 'list' }>): Verdict {
  if (!Array.isArray(value))
    return {
      code: 'wrong-kind',
      wrong: `${valueText(value)} stands where a list belongs`,
      advice: allowedText(leaf),
    }
  const wrong = value.length === 0 ? 'the list is empty' : `the list has ${value.length} entries`
  return { code: 'out-of-range', wrong, advice: `allowed: ${leaf.least} to ${leaf.most} ${leaf.of}` }
}

function judgeGroup(value: unknown, leaf: Extract<Leaf, { kind: 'group' }>): Verdict {
  if (typeof value === 'string' && /^[A-Za-z_]\w*:\S/.test(value))
    return {
      code: 'wrong-kind',
      wrong: `${valueText(value)} is one text`,
      advice: 'write a space after the colon',
    }
  if (typeof value === 'object' && !Array.isArray(value))
    return { code: 'missing', wrong: 'holds nothing', advice: allowedText(leaf) }
  return {
    code: 'wrong-kind',
    wrong: `${valueText(value)} stands where a group of keys belongs`,
    advice: allowedText(leaf),
  }
}
