"""Problems in words: each a line, and what is the same in many rows said once."""

from detect.survey.errors import MOST_ALIKE, Problem, SurveyError, lines_of, rows_in_words


def blank(row, column="signal"):
    return Problem("readings.csv", "is blank", "fill it in", row, column)


def test_a_few_rows_are_a_line_each():
    few = [blank(row) for row in range(2, 2 + MOST_ALIKE)]
    assert lines_of(few) == [str(problem) for problem in few]
    assert str(few[0]) == "readings.csv, row 2, column signal: is blank -> fill it in"


def test_the_same_in_many_rows_is_one_line_with_all_rows():
    rows = [*range(2, 12), 15, 20, 21]
    other = Problem("readings.csv", "'x' is no number", "write it anew", 9, "signal")
    lines = lines_of([blank(2), other, *(blank(row) for row in rows[1:]), blank(9, "distance_m")])
    assert lines == [
        "readings.csv, 13 rows (2 to 11, 15, 20 to 21), column signal: is blank -> fill it in",
        "readings.csv, row 9, column signal: 'x' is no number -> write it anew",
        "readings.csv, row 9, column distance_m: is blank -> fill it in",
    ]


def test_problems_of_whole_files_stay_apart():
    whole = [Problem(f"{name}.csv", "is empty", "fill it in") for name in "abcdefghijkl"]
    assert lines_of(whole) == [str(problem) for problem in whole]


def test_an_error_says_all_of_it():
    error = SurveyError([blank(row) for row in range(2, 224)])
    assert str(error).startswith("readings.csv, 222 rows (2 to 223), column signal")
    assert len(error.problems) == 222


def test_rows_that_follow_on_are_a_run():
    assert rows_in_words([7, 3, 4, 5, 5, 9]) == "3 to 5, 7, 9"
