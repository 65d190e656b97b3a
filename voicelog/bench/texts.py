"""Prose and chat that are no calls: what is read behind a caller, and what must never be written."""

from __future__ import annotations

PROSE = (
    "The road to the coast follows the river for most of the way and then climbs through a stand of old pines.",
    "Nobody had painted the harbour wall since the spring storms, and the salt had eaten deep into the stone.",
    "She kept the letters in a biscuit tin under the stairs, tied with string and sorted by the colour of the ink.",
    "By the time the bread had cooled the whole street knew that the bakery would close at the end of the month.",
    "A slow train crossed the bridge at noon, and the boys on the bank waved at every carriage until it was gone.",
    "The museum keeps its best clocks in a cellar, where the air is dry and nobody hears them strike.",
    "When the snow melted we found the ladder again, lying exactly where my uncle said it could not possibly be.",
    "Most of the orchard is older than the house, and the house is older than anyone who has ever lived in it.",
    "He measured the table twice, cut the cloth once, and spent the rest of the evening looking for his glasses.",
    "The library opens late on Tuesdays, which suits the students and annoys the man who reads the newspapers.",
    "Rain came in from the west just before supper and drummed on the tin roof until we gave up talking.",
    "It takes about an hour to walk around the lake if you do not stop to look at the herons, and everyone stops.",
    "The choir sang in the square because the church had no heating, and the sound carried as far as the station.",
    "Our neighbour repairs violins in his garage and will tell you the history of each one if you let him.",
    "The ferry was full of cyclists, wet through and cheerful, eating sandwiches out of paper bags.",
    "In the morning the valley fills with mist so thick that only the tops of the poplars can be seen.",
    "They built the school on the hill for the view, and then planted trees that hid it within ten years.",
    "An old map on the kitchen wall shows a village that was never there, drawn by someone who wanted one.",
    "The cat sleeps on the warm side of the chimney and comes down only when somebody opens the fridge.",
    "After the concert we missed the last bus and walked home along the canal under a very bright moon.",
)
"""Our own."""

CHAT = (
    "Did you see where I left the keys? I had them in my hand a minute ago and now they are nowhere.",
    "Well, I told him he could borrow the trailer, but only if he brings it back before the weekend.",
    "Do you want tea or coffee? There is some cake left from yesterday as well, if the children have not found it.",
    "I think it will clear up later, they said so on the radio, but you never know with this wind.",
    "Can you hold the door for a second? No, the other one, the one that sticks.",
    "My sister is coming down on Friday with the two little ones, so the house will be upside down.",
    "That is four of us for lunch then, or five if your brother turns up, and he always does.",
    "I have been meaning to fix that tap for weeks, it drips all night and nobody can sleep.",
    "Could you shut that gate before the dog gets in, please? He was in the feed again this morning.",
    "Right, where were we? I lost my place when the phone rang, somebody selling windows I think.",
    "They want sixty for the old mower, which is more than it cost when it was new, if you ask me.",
    "Hang on, I need to move the bucket. There. Now you can get past without getting your feet wet.",
    "No, no, keep going, I am listening, I am only looking for a pencil that works.",
    "It was about half past nine when we got home, and the lights were still on in the barn.",
    "The vet said she will be fine in a day or two as long as she keeps drinking.",
    "I paid the feed bill, by the way, so you do not have to go into town for that.",
    "How many eggs was it yesterday? I wrote it down somewhere, probably on the back of an envelope.",
    "If you go past the shop, get some milk, and a loaf, and whatever looks good for tonight.",
    "You should have heard the noise those birds made when the fox went by, you would not believe it.",
    "Let us do the rest after lunch, my hands are cold and I cannot feel my fingers.",
)
"""Our own; some of it has words of the calls in it, as talk in a barn has."""

CLASSICS = (
    "It is a truth universally acknowledged, that a single man in possession of a good fortune, "
    "must be in want of a wife.",
    "It was the best of times, it was the worst of times, it was the age of wisdom, it was the age of foolishness.",
    "Call me Ishmael. Some years ago, never mind how long precisely, having little or no money in my purse, "
    "I thought I would sail about a little and see the watery part of the world.",
    "Alice was beginning to get very tired of sitting by her sister on the bank, and of having nothing to do.",
    "Happy families are all alike; every unhappy family is unhappy in its own way.",
    "Four score and seven years ago our fathers brought forth on this continent a new nation, "
    "conceived in liberty, and dedicated to the proposition that all men are created equal.",
    "Marley was dead, to begin with. There is no doubt whatever about that.",
    "The quality of mercy is not strained; it droppeth as the gentle rain from heaven upon the place beneath.",
    "You don't know about me without you have read a book by the name of The Adventures of Tom Sawyer; "
    "but that ain't no matter.",
)
"""In the public domain, from memory: Austen 1813, Dickens 1859, Melville 1851, Carroll 1865, Tolstoy 1877
(tr. Garnett 1901), Lincoln 1863, Dickens 1843, Shakespeare, Twain 1884."""
